//! Passes that lie off as a whole: most of the cells they share with others are disputed, always to one side.

use super::combine::{Made, Open};
use super::dispute::Why;

/// Least number of disputed cells that tell something of a pass (judgement).
const LEAST_CELLS: u32 = 8;
/// Least share of the cells it shares with other passes (judgement).
const LEAST_SHARE: f64 = 0.4;
/// Least share of them to one side.
const ONE_SIDED: f64 = 0.9;

/// Counts of each pass.
pub(crate) struct Suspects(Vec<Count>);

#[derive(Clone, Copy, Debug, Default)]
struct Count {
    /// Cells shared with other passes.
    shared: u32,
    /// Of these, disputed ones in which it is not of the largest group, by side.
    shoaler: u32,
    deeper: u32,
}

impl Suspects {
    pub(crate) fn new(passes: usize) -> Self {
        Self(vec![Count::default(); passes])
    }

    pub(crate) fn count(&mut self, made: &Made) {
        for pass in &made.passes {
            self.bump(*pass, |c| c.shared += 1);
        }
        let Some(open) = &made.open else { return };
        let largest = open.groups.iter().map(Vec::len).max().unwrap_or(0);
        let alone = open.groups.iter().filter(|g| g.len() == largest).count() == 1;
        let main = open.groups.iter().position(|g| g.len() == largest).unwrap_or(0);
        for i in (0..open.groups.len()).filter(|i| !(alone && *i == main)) {
            // Among equals, each is off the others.
            let shoaler = if alone { i < main } else { i == 0 };
            for pass in open.passes_of(i).collect::<Vec<_>>() {
                self.bump(pass, |c| if shoaler { c.shoaler += 1 } else { c.deeper += 1 });
            }
        }
    }

    fn bump(&mut self, pass: u32, f: impl Fn(&mut Count)) {
        if let Some(c) = self.0.get_mut(pass as usize) {
            f(c);
        }
    }

    fn is_off(&self, pass: u32) -> bool {
        let Some(c) = self.0.get(pass as usize) else { return false };
        let off = c.shoaler + c.deeper;
        let side = c.shoaler.max(c.deeper);
        off >= LEAST_CELLS
            && f64::from(off) >= LEAST_SHARE * f64::from(c.shared)
            && f64::from(side) >= ONE_SIDED * f64::from(off)
    }

    /// Says so where a dispute is that of passes which lie off. True if another depth is believed now.
    pub(crate) fn judge(&self, open: &mut Open) -> bool {
        if open.why == Why::Verdicts {
            return false;
        }
        let off: Vec<bool> =
            (0..open.groups.len()).map(|i| open.passes_of(i).all(|p| self.is_off(p))).collect();
        if !off.contains(&true) {
            return false;
        }
        open.why = Why::WrongLevel;
        let mut sound = off.iter().enumerate().filter(|(_, off)| !**off).map(|(i, _)| i);
        open.believed = match (sound.next(), sound.next()) {
            (Some(one), None) => Some(one),
            _ => None,
        };
        true
    }
}
