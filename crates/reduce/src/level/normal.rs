//! The normal matrix of one part: its pattern is made once, its values every round.

use super::parts::Part;
use nalgebra::DMatrix;
use nalgebra_sparse::factorization::{CscCholesky, CscSymbolicCholesky};
use nalgebra_sparse::pattern::SparsityPattern;

/// Where everything goes.
pub(crate) struct Normal {
    pattern: SparsityPattern,
    /// For each group: where the products of its unknowns go, lower triangle, row by row.
    places: Vec<Vec<usize>>,
    diagonal: Vec<usize>,
}

/// Values of the normal matrix (zero above the diagonal, where the factor does not look) and the right side.
pub(crate) struct Sums {
    pub(crate) matrix: Vec<f64>,
    pub(crate) right: DMatrix<f64>,
}

impl Normal {
    pub(crate) fn new(part: &Part) -> Option<Self> {
        let n = part.unknowns.len();
        let columns = columns(part);
        let mut offsets = vec![0];
        offsets.extend(columns.iter().scan(0, |sum, c| {
            *sum += c.len();
            Some(*sum)
        }));
        let find = |(i, j): (usize, usize)| Some(offsets.get(j)? + columns.get(j)?.binary_search(&i).ok()?);
        let places = part.groups.iter().map(|g| lower(&g.unknowns).map(find).collect());
        let places = places.collect::<Option<_>>()?;
        let diagonal = (0..n).map(|i| find((i, i))).collect::<Option<_>>()?;
        let rows = columns.concat();
        let pattern = SparsityPattern::try_from_offsets_and_indices(n, n, offsets, rows).ok()?;
        Some(Self { pattern, places, diagonal })
    }

    /// With every equation counting `weights`, and its variance times `scale`².
    pub(crate) fn sums(&self, part: &Part, weights: &[f64], scale: f64) -> Sums {
        let mut matrix = vec![0.0; self.pattern.nnz()];
        let mut right = DMatrix::zeros(part.unknowns.len(), 1);
        let mut weights = weights.iter();
        let (mut products, mut values) = (Vec::new(), Vec::new());
        for (group, places) in part.groups.iter().zip(&self.places) {
            products.clear();
            products.resize(places.len(), 0.0);
            values.clear();
            values.resize(group.unknowns.len(), 0.0);
            for (row, w) in part.rows_of(group).zip(&mut weights) {
                let information = w / (row.variance * scale * scale);
                let mut rest = products.as_mut_slice();
                for (i, (a, value)) in row.coefficients.iter().zip(&mut values).enumerate() {
                    let a = information * a;
                    *value += a * row.value;
                    let (line, below) = rest.split_at_mut(i + 1);
                    line.iter_mut().zip(row.coefficients).for_each(|(p, b)| *p += a * b);
                    rest = below;
                }
            }
            for (place, product) in places.iter().zip(&products) {
                if let Some(v) = matrix.get_mut(*place) {
                    *v += product;
                }
            }
            for (i, value) in group.unknowns.iter().zip(&values) {
                if let Some(v) = right.get_mut(*i) {
                    *v += value;
                }
            }
        }
        for (place, prior) in self.diagonal.iter().zip(&part.priors) {
            if let Some(v) = matrix.get_mut(*place) {
                *v += 1.0 / prior;
            }
        }
        Sums { matrix, right }
    }

    /// The Cholesky factor of `sums`; `refactor` takes the next ones. `None` if it is not positive definite.
    pub(crate) fn factor(&self, sums: &Sums) -> Option<CscCholesky<f64>> {
        let symbolic = CscSymbolicCholesky::factor(self.pattern.clone());
        CscCholesky::factor_numerical(symbolic, &sums.matrix).ok()
    }
}

/// Rows of each column of the whole symmetric matrix: the symbolic factor wants both triangles.
fn columns(part: &Part) -> Vec<Vec<usize>> {
    let mut columns: Vec<Vec<usize>> = (0..part.unknowns.len()).map(|i| vec![i]).collect();
    for group in &part.groups {
        for i in &group.unknowns {
            if let Some(column) = columns.get_mut(*i) {
                column.extend(&group.unknowns);
            }
        }
    }
    for column in &mut columns {
        column.sort_unstable();
        column.dedup();
    }
    columns
}

/// Pairs of `unknowns`, the greater first: row and column in the lower triangle.
fn lower(unknowns: &[usize]) -> impl Iterator<Item = (usize, usize)> + '_ {
    let up_to = |i: usize| unknowns.get(..=i).unwrap_or_default();
    let rows = unknowns.iter().enumerate();
    rows.flat_map(move |(i, a)| up_to(i).iter().map(move |b| (*a.max(b), *a.min(b))))
}
