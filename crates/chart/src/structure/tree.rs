//! Peaks of a lattice and what joins them: exact, by sweeping from the highest node down.

use super::lattice::{Lattice, NONE};

/// A peak and where the ground around it first joins that of a higher one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Branch {
    /// Node of the peak.
    pub(crate) peak: u32,
    /// The key col: the highest node by which a higher peak is reached; `None` for the highest of its water.
    pub(crate) col: Option<u32>,
    /// The higher peak.
    pub(crate) into: Option<u32>,
}

/// All peaks of `height` with their key cols, in order of joining. Nodes touch by sides and corners; of equal heights
/// the node with the lower number counts as higher.
///
/// The prominence of a peak is its height over the key col (topographic prominence; the persistence of the merge
/// tree: Edelsbrunner, Letscher and Zomorodian 2002, Discrete Comput. Geom. 28, 511-533).
pub(crate) fn branches(l: &Lattice, height: impl Fn(usize) -> f64) -> Vec<Branch> {
    let n = l.len();
    let heights: Vec<f64> = (0..n).map(height).collect();
    let mut order: Vec<u32> = (0..n as u32).collect();
    order.sort_unstable_by(|a, b| heights[*b as usize].total_cmp(&heights[*a as usize]).then(a.cmp(b)));
    let mut rank = vec![0u32; n];
    for (k, i) in order.iter().enumerate() {
        rank[*i as usize] = k as u32;
    }
    let mut up = vec![NONE; n];
    // Peak of the ground whose root is this node.
    let mut peak: Vec<u32> = vec![NONE; n];
    let mut out = Vec::new();
    for i in &order {
        let mut roots: Vec<u32> = Vec::with_capacity(4);
        for j in l.beside[*i as usize] {
            if j != NONE && up[j as usize] != NONE {
                let r = root(&mut up, j);
                if !roots.contains(&r) {
                    roots.push(r);
                }
            }
        }
        up[*i as usize] = *i;
        roots.sort_unstable_by_key(|r| rank[peak[*r as usize] as usize]);
        let Some((first, rest)) = roots.split_first() else {
            peak[*i as usize] = *i;
            continue;
        };
        let highest = peak[*first as usize];
        for r in rest {
            out.push(Branch { peak: peak[*r as usize], col: Some(*i), into: Some(highest) });
            up[*r as usize] = *first;
        }
        up[*i as usize] = *first;
    }
    for i in 0..n {
        if up[i] == i as u32 {
            out.push(Branch { peak: peak[i], col: None, into: None });
        }
    }
    out
}

fn root(up: &mut [u32], mut i: u32) -> u32 {
    while up[i as usize] != i {
        up[i as usize] = up[up[i as usize] as usize];
        i = up[i as usize];
    }
    i
}

/// The nodes joined to `from` at or above `level`, ascending; at most `most` of them, else `None`.
pub(crate) fn flood(
    l: &Lattice,
    height: impl Fn(usize) -> f64,
    from: u32,
    level: f64,
    most: usize,
) -> Option<Vec<u32>> {
    let mut seen = std::collections::BTreeSet::from([from]);
    let mut open = vec![from];
    while let Some(i) = open.pop() {
        for j in l.beside[i as usize] {
            if j != NONE && height(j as usize) >= level && seen.insert(j) {
                open.push(j);
            }
        }
        if seen.len() > most {
            return None;
        }
    }
    Some(seen.into_iter().collect())
}

#[cfg(test)]
mod tests {
    use super::super::lattice::Spot;
    use super::*;
    use leadline_model::Grade;

    fn row(heights: &[f64]) -> Lattice {
        let spot = |(c, h): (usize, &f64)| Spot {
            key: [0, c as i32],
            depth_m: -h,
            tvu95_m: 0.1,
            grade: Grade::Sure,
        };
        Lattice::new(1.0, heights.iter().enumerate().map(spot).collect())
    }

    #[test]
    fn prominences_by_hand() {
        // Peaks 5, 9, 7 with cols 2 and 4: prominences 3, all of it, 3.
        let l = row(&[1.0, 5.0, 2.0, 9.0, 4.0, 7.0, 0.0]);
        let all = branches(&l, |i| -l.depth(i));
        assert_eq!(
            all,
            [
                Branch { peak: 5, col: Some(4), into: Some(3) },
                Branch { peak: 1, col: Some(2), into: Some(3) },
                Branch { peak: 3, col: None, into: None },
            ]
        );
        assert_eq!(flood(&l, |i| -l.depth(i), 5, 5.0, 9), Some(vec![5]));
        assert_eq!(flood(&l, |i| -l.depth(i), 5, 4.0, 9), Some(vec![3, 4, 5]));
        assert_eq!(flood(&l, |i| -l.depth(i), 5, 0.0, 3), None);
    }

    #[test]
    fn level_ground_has_one_peak() {
        let all = branches(&row(&[3.0; 9]), |_| 3.0);
        assert_eq!(all, [Branch { peak: 0, col: None, into: None }]);
    }
}
