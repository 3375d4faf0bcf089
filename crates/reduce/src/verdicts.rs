//! Verdicts on reduced depths: areas, cells, and stretches with a depth in them.

use crate::work::Work;
use geo::{BoundingRect, Contains, Coord, LineString, Point, Polygon};
use leadline_model::{Decision, GridPos, Pass, Scope, Text, Verdict, VoidReason};
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};
use std::collections::BTreeSet;

/// Whether `verdict` leaves out all of its stretch, whatever the depth: known before anything is reduced.
pub(crate) fn is_whole(verdict: &Verdict) -> bool {
    let any_depth = verdict.shoaler_than_mm.is_none() && verdict.deeper_than_mm.is_none();
    let to = match &verdict.scope {
        Scope::Stretch { to, .. } => *to,
        _ => return false,
    };
    verdict.decision == Decision::LeaveOut && any_depth && verdict.until >= to
}

/// Whether another verdict in force keeps exactly what `verdict` leaves out.
pub(crate) fn is_contested(verdict: &Verdict, all: &[Verdict]) -> bool {
    all.iter().any(|v| {
        v.decision == Decision::Keep
            && v.scope == verdict.scope
            && v.shoaler_than_mm == verdict.shoaler_than_mm
            && v.deeper_than_mm == verdict.deeper_than_mm
    })
}

/// One verdict that leaves something out.
struct Cut<'a> {
    verdict: &'a Verdict,
    polygon: Option<Polygon<f64>>,
    contested: bool,
}

/// Leaves out what people left out by area, cell or depth. What others want to keep is only marked. `of`: only
/// soundings of these boats.
pub(crate) fn apply(work: &mut [Work], passes: &[Pass], verdicts: &[Verdict], of: Option<&BTreeSet<Text>>) {
    let cuts: Vec<Cut<'_>> = verdicts
        .iter()
        .filter(|v| v.decision == Decision::LeaveOut)
        .map(|v| Cut { verdict: v, polygon: polygon(&v.scope), contested: is_contested(v, verdicts) })
        .filter(|c| c.contested || !is_whole(c.verdict))
        .collect();
    if cuts.is_empty() {
        return;
    }
    let boxes = cuts.iter().enumerate().map(|(i, c)| GeomWithData::new(c.bounds(), i)).collect();
    let tree: RTree<GeomWithData<Rectangle<[f64; 2]>, usize>> = RTree::bulk_load(boxes);
    let meant = |w: &Work| {
        of.is_none_or(|boats| passes.get(w.pass as usize).is_some_and(|p| boats.contains(&p.boat)))
    };
    for w in work.iter_mut().filter(|w| (w.void.is_none() || w.spike.is_some()) && meant(w)) {
        let at = [f64::from(w.at.x()), f64::from(w.at.y())];
        let hits = tree.locate_in_envelope_intersecting(&AABB::from_point(at));
        let (mut out, mut contested) = (false, false);
        for cut in hits.filter_map(|hit| cuts.get(hit.data)).filter(|c| c.binds(w, passes)) {
            out |= !cut.contested;
            contested |= cut.contested;
        }
        w.contested |= contested;
        w.cut |= out && w.spike.is_some();
        if out && w.void.is_none() {
            w.void = Some(VoidReason::LeftOut);
        }
    }
}

impl Cut<'_> {
    fn bounds(&self) -> Rectangle<[f64; 2]> {
        let all = ([0.0; 2], [f64::from(u32::MAX); 2]);
        let (lo, hi) = match &self.verdict.scope {
            Scope::Cell(id) => {
                let (x, y) = (f64::from(id.x) * 256.0, f64::from(id.y) * 256.0);
                ([x, y], [x + 256.0, y + 256.0])
            }
            Scope::Area(_) => match self.polygon.as_ref().and_then(BoundingRect::bounding_rect) {
                Some(r) => ([r.min().x, r.min().y], [r.max().x, r.max().y]),
                None => all,
            },
            Scope::Stretch { .. } => all,
        };
        Rectangle::from_corners(lo, hi)
    }

    fn binds(&self, w: &Work, passes: &[Pass]) -> bool {
        let v = self.verdict;
        let mm = w.depth * 1000.0;
        w.time <= v.until
            && v.shoaler_than_mm.is_none_or(|limit| mm < f64::from(limit))
            && v.deeper_than_mm.is_none_or(|limit| mm > f64::from(limit))
            && match &v.scope {
                Scope::Cell(id) => w.at.cell() == *id,
                Scope::Area(_) => {
                    self.polygon.as_ref().is_some_and(|p| p.contains(&Point::from(corner(&w.at))))
                }
                Scope::Stretch { boat, from, to } => {
                    let mine = passes.get(w.pass as usize).is_some_and(|p| p.boat == *boat);
                    mine && *from <= w.time && w.time < *to
                }
            }
    }
}

fn polygon(scope: &Scope) -> Option<Polygon<f64>> {
    match scope {
        Scope::Area(ring) => {
            Some(Polygon::new(LineString::new(ring.iter().map(corner).collect()), Vec::new()))
        }
        _ => None,
    }
}

fn corner(p: &GridPos) -> Coord<f64> {
    Coord { x: f64::from(p.x()), y: f64::from(p.y()) }
}
