//! Verdicts: what stands, where people contradict each other, and the words for it.

use super::Standing;
use leadline_logbook::{Op, WriteRef};
use leadline_model::{Decision, GridPos, Scope, Verdict};

/// What a verdict speaks of, for people.
pub fn scope_words(scope: &Scope) -> String {
    match scope {
        Scope::Stretch { boat, from, to } => format!("{boat} from {from} to {to}"),
        Scope::Area(ring) => {
            let p = ring.first().map(|p| p.lonlat());
            let at = p.map_or_else(String::new, |p| format!(" from {:.5},{:.5}", p.lon, p.lat));
            format!("the area of {} corners{at}", ring.len())
        }
        Scope::Cell(cell) => {
            let p = cell.lonlat();
            format!("the cell at {:.6},{:.6}", p.lon, p.lat)
        }
    }
}

/// What a verdict decides, for people.
pub fn decision_words(decision: Decision) -> &'static str {
    match decision {
        Decision::LeaveOut => "left out",
        Decision::Keep => "kept",
        Decision::NotCopies => "no copies",
    }
}

type Filters = (Option<i32>, Option<i32>);

fn filters(v: &Verdict) -> Filters {
    (v.shoaler_than_mm, v.deeper_than_mm)
}

/// Whether `a` and `b` speak of the same soundings: one scope, and the same depths or one of them all depths.
fn meet(a: &Verdict, b: &Verdict) -> bool {
    let (fa, fb) = (filters(a), filters(b));
    a.scope == b.scope && (fa == fb || fa == (None, None) || fb == (None, None))
}

/// Whether `keep` stands against a standing leave-out.
pub(super) fn contested(keep: &Verdict, all: &[Standing<Verdict>]) -> bool {
    keep.decision == Decision::Keep
        && all.iter().any(|s| s.what.decision == Decision::LeaveOut && meet(&s.what, keep))
}

pub(super) fn name_conflicts(
    all: &[Standing<Verdict>],
    by: &dyn Fn(&Standing<Verdict>) -> String,
    conflicts: &mut Vec<String>,
) {
    for out in all.iter().filter(|s| s.what.decision == Decision::LeaveOut) {
        for keep in all.iter().filter(|s| s.what.decision == Decision::Keep && meet(&out.what, &s.what)) {
            conflicts.push(format!(
                "{} is left out by {} ({}) and kept by {} ({}): the shoaler depth is used; `leadline leave-out` or \
                 `leadline take-back` for it settles it",
                scope_words(&out.what.scope),
                by(out),
                out.what.why,
                by(keep),
                keep.what.why,
            ));
        }
    }
}

/// The write of a decision other than a take-back. It takes the place of what it makes needless: the same decision
/// about no more soundings, and what was kept among them. `None` if the same stands already.
pub(super) fn decide_op(all: &[Standing<Verdict>], verdict: Verdict) -> Option<Op> {
    let wider = filters(&verdict) == (None, None);
    let mut replaces = Vec::new();
    let mut stands = false;
    for s in all.iter().filter(|s| s.what.scope == verdict.scope) {
        let same = s.what.decision == verdict.decision && filters(&s.what) == filters(&verdict);
        stands |= same && s.what.until >= verdict.until && s.what.why == verdict.why;
        let against = verdict.decision == Decision::LeaveOut
            && s.what.decision == Decision::Keep
            && meet(&s.what, &verdict);
        let narrower = s.what.decision == verdict.decision && wider;
        if same || against || narrower {
            replaces.push(s.write);
        }
    }
    (!(stands && replaces.len() == 1)).then_some(Op::Verdict { verdict, replaces })
}

/// The write that takes leave-outs back, all of its scope and depths or the one decision `which`: it keeps what they
/// left out. `None` if nothing stands that it would take back.
pub(super) fn take_back_op(all: &[Standing<Verdict>], keep: Verdict, which: Option<WriteRef>) -> Option<Op> {
    let every = filters(&keep) == (None, None);
    let here = |v: &Verdict| v.scope == keep.scope && (every || filters(v) == filters(&keep));
    let of = |decision, which: Option<WriteRef>| {
        all.iter()
            .filter(move |s| match which {
                Some(write) => s.write == write,
                None => s.what.decision == decision && here(&s.what),
            })
            .map(|s| s.write)
    };
    let taken: Vec<WriteRef> = of(Decision::LeaveOut, which).collect();
    // Keeping what is left out for another reason would contradict it: that leave-out is stated anew instead.
    let stays = all
        .iter()
        .find(|s| s.what.decision == Decision::LeaveOut && meet(&s.what, &keep) && !taken.contains(&s.write));
    if let (Some(s), Some(which)) = (stays, which) {
        return Some(Op::Verdict { verdict: s.what.clone(), replaces: vec![which, s.write] });
    }
    let kept = of(Decision::Keep, None).filter(|w| !taken.contains(w));
    let replaces = taken.iter().copied().chain(kept).collect();
    (!taken.is_empty()).then_some(Op::Verdict { verdict: keep, replaces })
}

/// A ring as it is compared and kept: no corner twice in a row, beginning at its smallest corner, in one sense of
/// turning; so the same drawing is the same area, wherever a file begins it.
pub fn canonical_ring(corners: &[GridPos]) -> Vec<GridPos> {
    let mut ring: Vec<GridPos> = corners.to_vec();
    ring.dedup();
    while ring.len() > 1 && ring.first() == ring.last() {
        ring.pop();
    }
    let begin = (0..ring.len()).min_by_key(|i| ring.get(*i)).unwrap_or(0);
    ring.rotate_left(begin);
    let backwards = ring.len() > 2 && ring.last() < ring.get(1);
    if let Some(rest) = ring.get_mut(1..).filter(|_| backwards) {
        rest.reverse();
    }
    ring
}
