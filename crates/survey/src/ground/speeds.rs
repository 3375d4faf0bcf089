//! How fast boats may go while they sound.

use super::Standing;
use leadline_logbook::Op;
use leadline_model::SpeedLimits;

/// The limits in force, if anybody stated some. Of several statements the lower limits hold: fewer soundings are
/// believed.
pub(super) fn in_force(said: &[Standing<SpeedLimits>], conflicts: &mut Vec<String>) -> Option<SpeedLimits> {
    let all = || said.iter().map(|s| s.what);
    let limits = SpeedLimits {
        fair_mm_s: all().map(|l| l.fair_mm_s).min()?,
        void_mm_s: all().map(|l| l.void_mm_s).min()?,
    };
    if all().any(|l| l != limits) {
        conflicts.push(format!(
            "{} different speed limits: the lowest are used; `leadline survey set` settles it",
            said.len()
        ));
    }
    Some(limits)
}

/// `None` if exactly this stands already.
pub(super) fn op(said: &[Standing<SpeedLimits>], limits: SpeedLimits) -> Option<Op> {
    let same = matches!(said, [one] if one.what == limits);
    (!same).then(|| Op::Speeds { limits, replaces: said.iter().map(|s| s.write).collect() })
}
