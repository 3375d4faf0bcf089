//! The edge of the water.

use super::Standing;
use leadline_logbook::Op;
use leadline_model::Shoreline;

/// The shoreline in force; of several that of the smaller write, since none is safer than another. Without rings
/// there is none.
pub(super) fn in_force(
    said: &[Standing<Shoreline>],
    conflicts: &mut Vec<String>,
    by: impl Fn(&Standing<Shoreline>) -> String,
) -> Option<Shoreline> {
    let first = said.iter().min_by_key(|s| s.write)?;
    if said.iter().any(|s| s.what != first.what) {
        conflicts.push(format!(
            "{} different shorelines: the one of {} corners by {} is used; `leadline survey shore` settles it",
            said.len(),
            first.what.corners(),
            by(first)
        ));
    }
    Some(first.what.clone()).filter(|s| !s.rings.is_empty())
}

/// `None` if exactly this stands already.
pub(super) fn op(said: &[Standing<Shoreline>], shore: Shoreline) -> Option<Op> {
    let same = match said {
        [] => shore.rings.is_empty(),
        [one] => one.what == shore,
        _ => false,
    };
    (!same).then(|| Op::Shore { shore, replaces: said.iter().map(|s| s.write).collect() })
}
