//! One form found twice is one form.

use super::lines::{along, length};
use super::{Form, FormKind, Scale, contains};
use crate::mesh::distance;

/// Lines of two scales are one where this share of the points is near.
const SAME_LINE: f64 = 0.6;
/// Areas of one ground at two scales are within this ratio.
const SAME_AREA: f64 = 2.5;
/// Share of a ledge's points that lie on the side of one hump or hole.
const FLANK: f64 = 0.7;
/// A ridge longer than this many times its width has sides that are ledges in their own right.
const ROUND: f64 = 2.5;

/// Whether a ledge is only the side of a round hump or hole that is told already.
pub(crate) fn is_flank(ledge: &Form, forms: &[Form]) -> bool {
    forms.iter().any(|f| {
        let near = 0.75 * f.length_m;
        let on = ledge.line.iter().filter(|p| distance(**p, f.at) <= near).count();
        matches!(f.kind, FormKind::Hump | FormKind::Hole)
            && !f.open
            && f.length_m <= ROUND * f.width_m
            && on as f64 >= FLANK * ledge.line.len() as f64
    })
}

/// Of saddles nearer to each other than two steps the one with the greatest relief.
pub(crate) fn one_saddle_a_place(forms: &mut Vec<Form>, step_m: f64) {
    let saddles: Vec<([f64; 2], f64)> =
        forms.iter().filter(|f| f.kind == FormKind::Saddle).map(|f| (f.at, f.relief_m)).collect();
    let mut k = 0;
    forms.retain(|f| {
        if f.kind != FormKind::Saddle {
            return true;
        }
        k += 1;
        let better = |(j, s): (usize, &([f64; 2], f64))| {
            j != k - 1
                && distance(s.0, f.at) < 2.0 * step_m
                && (s.1 > f.relief_m || (s.1 == f.relief_m && j < k - 1))
        };
        !saddles.iter().enumerate().any(better)
    });
}

/// The forms of the fine and of the broad lattice, those that are the same once.
pub(crate) fn both_scales(found: Vec<Vec<Form>>, steps_m: [f64; 2]) -> Vec<Form> {
    let mut lists = found.into_iter();
    let (mut fine, broad) = (lists.next().unwrap_or_default(), lists.next().unwrap_or_default());
    let mut kept = Vec::new();
    for b in broad {
        let twins: Vec<usize> = (0..fine.len()).filter(|k| twin(&fine[*k], &b, steps_m[1])).collect();
        let told: f64 = twins.iter().map(|k| length(&fine[*k].line)).sum();
        if twins.is_empty() {
            kept.push(b);
        } else if b.line.is_empty() || told >= 0.7 * b.length_m {
            twins.iter().for_each(|k| fine[*k].scale = Scale::Both);
        } else {
            // The broad line is the whole of which the fine ones are pieces.
            let mut k = 0;
            fine.retain(|_| {
                k += 1;
                !twins.contains(&(k - 1))
            });
            kept.push(b);
        }
    }
    fine.extend(kept);
    fine
}

/// Whether two humps or holes are one ground whose averages have their extreme in different places.
fn same_ground(f: &Form, b: &Form) -> bool {
    let ratio = f.area_m2.unwrap_or(0.0) / b.area_m2.unwrap_or(0.0).max(1.0);
    let holds = |a: &Form, p: [f64; 2]| a.outline.first().is_some_and(|ring| contains(ring, p));
    (1.0 / SAME_AREA..=SAME_AREA).contains(&ratio) && holds(f, b.at) && holds(b, f.at)
}

/// Whether a fine form and a broad one are the same.
fn twin(f: &Form, b: &Form, step_m: f64) -> bool {
    if f.kind != b.kind {
        return false;
    }
    match f.kind {
        // The highest fine top of a broad hump has the broad one's prominence and more: the place is enough.
        FormKind::Saddle => distance(f.at, b.at) <= 1.5 * step_m,
        FormKind::Hump | FormKind::Hole => distance(f.at, b.at) <= 1.5 * step_m || same_ground(f, b),
        FormKind::Ledge | FormKind::Channel => along(&f.line, &b.line, step_m) >= SAME_LINE,
    }
}
