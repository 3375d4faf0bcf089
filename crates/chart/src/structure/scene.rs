//! One lattice with the cells that stand on it: what the finders share.

use super::lattice::{Lattice, NONE};
use super::noise::{Doubt, VISIT_MS, stand_out};
use super::{FormKind, Scale};
use crate::Surface;
use crate::nodes::Node;
use leadline_model::{Grade, UtcMillis};

/// Share of disputed cells from which a form is disputed.
const DISPUTED: f64 = 0.25;

pub(crate) struct Scene<'a> {
    pub(crate) surface: &'a Surface,
    pub(crate) lattice: &'a Lattice,
    pub(crate) doubt: &'a Doubt,
    pub(crate) scale: Scale,
    /// What the highest of all nodes must stand out by, in 95 % bands.
    pub(crate) stand_out: f64,
    /// (lattice node, cell), ascending.
    filed: Vec<(u32, u32)>,
}

/// What a form stands on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Support {
    pub(crate) cells: usize,
    /// Times that somebody came by: cells more than a minute apart are of another visit.
    pub(crate) visits: usize,
    pub(crate) disputed: bool,
    /// Shoalest safe depth, metres below the sounding datum.
    pub(crate) shoalest_m: f64,
    pub(crate) newest: UtcMillis,
}

impl<'a> Scene<'a> {
    pub(crate) fn new(surface: &'a Surface, lattice: &'a Lattice, doubt: &'a Doubt, scale: Scale) -> Self {
        let cells = surface.nodes().iter().enumerate();
        let mut filed: Vec<(u32, u32)> =
            cells.filter_map(|(k, n)| Some((lattice.at(n.xy)? as u32, k as u32))).collect();
        filed.sort_unstable();
        Self { surface, lattice, doubt, scale, stand_out: stand_out(lattice.len()), filed }
    }

    /// 95 % uncertainty of a node against its surroundings, metres.
    pub(crate) fn own95(&self, i: usize) -> f64 {
        let (sounded, between) = self.doubt.parts95(self.lattice.spots[i].tvu95_m);
        libm::sqrt(sounded * sounded + between * between)
    }

    /// Uncertainty of a difference between two nodes, 95 %, and what it must exceed when the first of them was the
    /// most extreme of all nodes. Only errors of soundings make extremes: between the tracks the surface runs from one
    /// sounding to the next.
    pub(crate) fn needs(&self, extreme: usize, other: usize) -> (f64, f64) {
        let (sounded, between) = self.doubt.parts95(self.lattice.spots[extreme].tvu95_m);
        let rest = between * between + self.own95(other) * self.own95(other);
        let z = self.stand_out;
        (libm::sqrt(sounded * sounded + rest), libm::sqrt(z * z * sounded * sounded + rest))
    }

    fn cells_at(&self, node: u32) -> impl Iterator<Item = &Node> {
        let from = self.filed.partition_point(|f| f.0 < node);
        self.filed[from..]
            .iter()
            .take_while(move |f| f.0 == node)
            .map(|f| &self.surface.nodes()[f.1 as usize])
    }

    /// The cells on `nodes`.
    pub(crate) fn support(&self, nodes: &[u32]) -> Support {
        let mut times: Vec<i64> = Vec::new();
        let (mut disputed, mut shoalest_m) = (0.0, f64::INFINITY);
        for n in nodes.iter().flat_map(|i| self.cells_at(*i)) {
            times.push(n.newest.0);
            disputed += if n.disputed { 1.0 } else { 0.0 };
            shoalest_m = shoalest_m.min(n.safe_m);
        }
        times.sort_unstable();
        let later = times.windows(2).filter(|w| w[1] - w[0] > VISIT_MS).count();
        Support {
            cells: times.len(),
            visits: if times.is_empty() { 0 } else { later + 1 },
            disputed: !times.is_empty() && disputed >= DISPUTED * times.len() as f64,
            shoalest_m,
            newest: UtcMillis(times.last().copied().unwrap_or(0)),
        }
    }

    /// `nodes` and all that touch them, ascending.
    pub(crate) fn grown(&self, nodes: &[u32]) -> Vec<u32> {
        let beside = nodes.iter().flat_map(|i| self.lattice.beside[*i as usize]).filter(|j| *j != NONE);
        let mut all: Vec<u32> = nodes.iter().copied().chain(beside).collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// The grade of a form: that of its depths; at best fair if one visit only or an edge of the known water is behind
    /// it, loose where depths are disputed (judgement).
    pub(crate) fn grade(&self, depths: Grade, support: &Support, open: bool, kind: FormKind) -> Grade {
        let few = support.visits < 2 && kind != FormKind::Saddle;
        let least = match (support.disputed, few || open) {
            (true, _) => Grade::Loose,
            (false, true) => Grade::Fair,
            (false, false) => Grade::Sure,
        };
        depths.max(least)
    }
}
