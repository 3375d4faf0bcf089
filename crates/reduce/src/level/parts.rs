//! A network cut where nothing is shared: parts that have no unknown in common are solved apart, so that what happens in
//! one changes no digit of another.

use super::solve::Equation;
use std::ops::Range;

/// All parts, in the order of their first unknowns.
pub(crate) struct Parts {
    parts: Vec<Part>,
    /// Part, and place in it, of each unknown.
    places: Vec<(usize, usize)>,
}

/// Unknowns tied by equations. Numbers of unknowns are places in `unknowns`.
pub(crate) struct Part {
    /// Indices in the whole network, ascending.
    pub(crate) unknowns: Vec<usize>,
    pub(crate) priors: Vec<f64>,
    /// Index of each equation in the whole network.
    pub(crate) rows: Vec<usize>,
    values: Vec<f64>,
    variances: Vec<f64>,
    pub(crate) groups: Vec<Group>,
    /// Of all rows, one after the other.
    coefficients: Vec<f64>,
}

/// Equations of the same unknowns: all ties of two boat-days.
pub(crate) struct Group {
    /// Ascending.
    pub(crate) unknowns: Vec<usize>,
    rows: Range<usize>,
    coefficients: Range<usize>,
}

/// One equation.
pub(crate) struct Row<'a> {
    pub(crate) coefficients: &'a [f64],
    pub(crate) value: f64,
    pub(crate) variance: f64,
}

impl Parts {
    /// Indices of unknowns beyond `priors` are passed over.
    pub(crate) fn new(equations: &[Equation], priors: &[f64]) -> Self {
        let mut parent: Vec<usize> = (0..priors.len()).collect();
        for e in equations {
            let mut ends = e.terms.iter().map(|(i, _)| *i);
            let Some(first) = ends.next() else { continue };
            for other in ends {
                join(&mut parent, first, other);
            }
        }
        let mut parts: Vec<Part> = Vec::new();
        let mut places: Vec<(usize, usize)> = Vec::with_capacity(priors.len());
        for (i, prior) in priors.iter().enumerate() {
            // The root is the least of its part, so it comes first.
            let root = root(&mut parent, i);
            let part = if root == i { parts.len() } else { places.get(root).map_or(0, |p| p.0) };
            if part == parts.len() {
                parts.push(Part::empty());
            }
            if let Some(p) = parts.get_mut(part) {
                places.push((part, p.unknowns.len()));
                p.unknowns.push(i);
                p.priors.push(*prior);
            }
        }
        let mut all = Self { parts, places };
        all.add(equations);
        all
    }

    pub(crate) fn iter(&self) -> impl Iterator<Item = &Part> {
        self.parts.iter()
    }

    /// For each part its share of `terms`.
    pub(crate) fn of_terms(&self, terms: &[(usize, f64)]) -> Vec<Vec<(usize, f64)>> {
        let mut shares = vec![Vec::new(); self.parts.len()];
        for (i, c) in terms {
            let place = self.places.get(*i);
            if let Some((share, place)) = place.and_then(|(p, place)| Some((shares.get_mut(*p)?, place))) {
                share.push((*place, *c));
            }
        }
        shares
    }

    /// Equations by unknowns; those of the same unknowns in their order.
    fn add(&mut self, equations: &[Equation]) {
        let unknowns = |i: usize| equations.get(i).into_iter().flat_map(|e| e.terms.iter().map(|t| t.0));
        let mut order: Vec<usize> = (0..equations.len()).collect();
        order.sort_by(|a, b| unknowns(*a).cmp(unknowns(*b)));
        for group in order.chunk_by(|a, b| unknowns(*a).eq(unknowns(*b))) {
            let places: Option<Vec<(usize, usize)>> =
                group.first().and_then(|i| unknowns(*i).map(|u| self.places.get(u).copied()).collect());
            let Some(places) = places else { continue };
            let Some(part) = places.first().and_then(|p| self.parts.get_mut(p.0)) else { continue };
            part.add(places.iter().map(|p| p.1).collect(), group, equations);
        }
    }
}

impl Part {
    fn empty() -> Self {
        Self {
            unknowns: Vec::new(),
            priors: Vec::new(),
            rows: Vec::new(),
            values: Vec::new(),
            variances: Vec::new(),
            groups: Vec::new(),
            coefficients: Vec::new(),
        }
    }

    fn add(&mut self, unknowns: Vec<usize>, group: &[usize], equations: &[Equation]) {
        let (row, coefficient) = (self.rows.len(), self.coefficients.len());
        for (i, e) in group.iter().filter_map(|i| Some((*i, equations.get(*i)?))) {
            self.rows.push(i);
            self.values.push(e.value);
            self.variances.push(e.variance);
            self.coefficients.extend(e.terms.iter().map(|t| t.1));
        }
        let (rows, coefficients) = (row..self.rows.len(), coefficient..self.coefficients.len());
        self.groups.push(Group { unknowns, rows, coefficients });
    }

    /// The equations of `group`, in the order of `rows`.
    pub(crate) fn rows_of(&self, group: &Group) -> impl Iterator<Item = Row<'_>> {
        let coefficients = self.coefficients.get(group.coefficients.clone()).unwrap_or_default();
        let values = self.values.get(group.rows.clone()).unwrap_or_default();
        let variances = self.variances.get(group.rows.clone()).unwrap_or_default();
        let each = coefficients.chunks_exact(group.unknowns.len().max(1));
        each.zip(values.iter().zip(variances)).map(|(coefficients, (value, variance))| Row {
            coefficients,
            value: *value,
            variance: *variance,
        })
    }

    /// Residual of each of `rows` over its standard deviation.
    pub(crate) fn residuals(&self, x: &[f64]) -> Vec<f64> {
        let mut all = Vec::with_capacity(self.rows.len());
        let mut near = Vec::new();
        for group in &self.groups {
            near.clear();
            near.extend(group.unknowns.iter().map(|i| x.get(*i).copied().unwrap_or(0.0)));
            all.extend(self.rows_of(group).map(|row| {
                let fitted: f64 = row.coefficients.iter().zip(&near).map(|(c, x)| c * x).sum();
                (row.value - fitted) / row.variance.sqrt()
            }));
        }
        all
    }

    /// Puts values of the part's unknowns to their places in the whole network.
    pub(crate) fn scatter(&self, values: &[f64], all: &mut [f64]) {
        for (i, v) in self.unknowns.iter().zip(values) {
            if let Some(slot) = all.get_mut(*i) {
                *slot = *v;
            }
        }
    }
}

fn join(parent: &mut [usize], a: usize, b: usize) {
    let (a, b) = (root(parent, a), root(parent, b));
    if let Some(p) = parent.get_mut(a.max(b)) {
        *p = a.min(b);
    }
}

/// The least of the unknowns tied to `i`.
fn root(parent: &mut [usize], mut i: usize) -> usize {
    while let Some(p) = parent.get(i).copied().filter(|p| *p != i) {
        if let Some(grand) = parent.get(p).copied()
            && let Some(slot) = parent.get_mut(i)
        {
            *slot = grand;
        }
        i = p;
    }
    i
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tie(terms: &[(usize, f64)]) -> Equation {
        Equation { terms: terms.to_vec(), value: 1.0, variance: 4.0 }
    }

    #[test]
    fn what_shares_nothing_is_apart() {
        let equations = [
            tie(&[(4, 1.0), (5, -2.0)]),
            tie(&[(0, 1.0), (2, -1.0)]),
            tie(&[(1, 1.0), (5, -1.0)]),
            tie(&[(0, 3.0), (2, -2.0)]),
        ];
        let parts = Parts::new(&equations, &[1.0; 6]);
        let unknowns: Vec<&[usize]> = parts.iter().map(|p| p.unknowns.as_slice()).collect();
        assert_eq!(unknowns, [&[0, 2][..], &[1, 4, 5], &[3]]);
        let rows: Vec<&[usize]> = parts.iter().map(|p| p.rows.as_slice()).collect();
        assert_eq!(rows, [&[1, 3][..], &[2, 0], &[]]);
        let first = parts.iter().next().expect("three");
        assert_eq!(first.groups.len(), 1);
        // (1 − (3·2 − 2·1)) / 2.
        assert_eq!(first.residuals(&[2.0, 1.0]), [0.0, -1.5]);
        let mut all = [0.0; 6];
        first.scatter(&[7.0, 8.0], &mut all);
        assert_eq!(all, [7.0, 0.0, 8.0, 0.0, 0.0, 0.0]);
        assert_eq!(parts.of_terms(&[(5, 0.5), (3, 0.25)]), [vec![], vec![(2, 0.5)], vec![(0, 0.25)]]);
    }
}
