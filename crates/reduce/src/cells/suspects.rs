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
#[derive(Debug, Default)]
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
        self.change(made, |n| *n += 1);
    }

    /// Takes back what [`Self::count`] did.
    pub(crate) fn uncount(&mut self, made: &Made) {
        self.change(made, |n| *n = n.saturating_sub(1));
    }

    /// Gives the counts of the passes that have a new number to it; `passes` there are then.
    pub(crate) fn renumber(&mut self, numbers: &[Option<u32>], passes: usize) {
        let old = std::mem::replace(self, Self::new(passes));
        for (count, number) in old.0.into_iter().zip(numbers) {
            if let Some(c) = number.and_then(|n| self.0.get_mut(n as usize)) {
                *c = count;
            }
        }
    }

    /// Passes that lie off.
    pub(crate) fn all_off(&self) -> Vec<bool> {
        self.0.iter().map(Count::is_off).collect()
    }

    fn change(&mut self, made: &Made, f: fn(&mut u32)) {
        for pass in &made.passes {
            self.bump(*pass, |c| f(&mut c.shared));
        }
        let Some(open) = &made.open else { return };
        let largest = open.groups.iter().map(Vec::len).max().unwrap_or(0);
        let alone = open.groups.iter().filter(|g| g.len() == largest).count() == 1;
        let main = open.groups.iter().position(|g| g.len() == largest).unwrap_or(0);
        for i in (0..open.groups.len()).filter(|i| !(alone && *i == main)) {
            // Among equals, each is off the others.
            let shoaler = if alone { i < main } else { i == 0 };
            for pass in open.passes_of(i) {
                self.bump(pass, |c| f(if shoaler { &mut c.shoaler } else { &mut c.deeper }));
            }
        }
    }

    fn bump(&mut self, pass: u32, f: impl Fn(&mut Count)) {
        if let Some(c) = self.0.get_mut(pass as usize) {
            f(c);
        }
    }
}

impl Count {
    fn is_off(&self) -> bool {
        let off = self.shoaler + self.deeper;
        let side = self.shoaler.max(self.deeper);
        off >= LEAST_CELLS
            && f64::from(off) >= LEAST_SHARE * f64::from(self.shared)
            && f64::from(side) >= ONE_SIDED * f64::from(off)
    }
}

/// Why the depths of `open` compete and which is believed, where passes lie `off` as a whole.
pub(crate) fn judge(open: &Open, off: &[bool]) -> (Why, Option<usize>) {
    let is_off = |p: u32| off.get(p as usize).copied().unwrap_or(false);
    let groups: Vec<bool> = (0..open.groups.len()).map(|i| open.passes_of(i).all(is_off)).collect();
    if open.why == Why::Verdicts || !groups.contains(&true) {
        return (open.why, open.believed);
    }
    let mut sound = groups.iter().enumerate().filter(|(_, off)| !**off).map(|(i, _)| i);
    match (sound.next(), sound.next()) {
        (Some(one), None) => (Why::WrongLevel, Some(one)),
        _ => (Why::WrongLevel, None),
    }
}
