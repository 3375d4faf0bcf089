//! Boat-days that crossings tie together.

use super::model::Model;
use super::tie::Tie;
use std::collections::BTreeMap;

/// Clusters in the order of their first boat-day.
pub(crate) struct Clusters(Vec<Vec<usize>>);

impl Clusters {
    /// A tie without any weight ties nothing.
    pub(crate) fn new(model: &Model, ties: &[(Tie, [usize; 2])], weights: &[f64]) -> Self {
        let mut parent: Vec<usize> = (0..model.days.len()).collect();
        for ((tie, boats), _) in ties.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
            if let Some([a, b]) = ends(model, tie, *boats) {
                let (a, b) = (root(&mut parent, a), root(&mut parent, b));
                if let Some(p) = parent.get_mut(a.max(b)) {
                    *p = a.min(b);
                }
            }
        }
        let mut members: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for i in 0..parent.len() {
            members.entry(root(&mut parent, i)).or_default().push(i);
        }
        Self(members.into_values().collect())
    }

    /// Boat-days of each cluster.
    pub(crate) fn members(&self) -> impl Iterator<Item = &[usize]> {
        self.0.iter().map(Vec::as_slice)
    }
}

/// Crossings of each boat-day with others.
pub(crate) fn crossings_of(model: &Model, ties: &[(Tie, [usize; 2])]) -> Vec<u32> {
    let mut counts = vec![0u32; model.days.len()];
    for (tie, boats) in ties {
        let Some([a, b]) = ends(model, tie, *boats).filter(|[a, b]| a != b) else { continue };
        for i in [a, b] {
            if let Some(n) = counts.get_mut(i) {
                *n += tie.crossings;
            }
        }
    }
    counts
}

fn ends(model: &Model, tie: &Tie, boats: [usize; 2]) -> Option<[usize; 2]> {
    let [a, b] = &tie.ends;
    Some([model.day_index(boats[0], a.day)?, model.day_index(boats[1], b.day)?])
}

fn root(parent: &mut [usize], mut i: usize) -> usize {
    while let Some(&p) = parent.get(i).filter(|p| **p != i) {
        if let Some(grand) = parent.get(p).copied()
            && let Some(slot) = parent.get_mut(i)
        {
            *slot = grand;
        }
        i = p;
    }
    i
}
