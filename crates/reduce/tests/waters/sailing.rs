//! One boat's day: main lines in both directions, cross lines over them, and what its instruments said.

use super::Sizes;
use super::bed::{Bed, Block, nearest};
use super::dice::{Dice, Wander};
use super::fleet::Boat;
use super::level::Level;
use leadline_model::{CellId, DepthFrom, Flags, LocalFrame, Sounding, UtcMillis};

/// A receiver's error is remembered for about this long, seconds.
const RECEIVER_MEMORY_S: f64 = 60.0;
/// A boat stays where this much water is below its keel, metres.
const KEEL_M: f64 = 0.4;
/// A reading in weed is the bed itself this often: between the plants.
const CLEAR: f64 = 0.25;

pub(crate) struct Sail<'a> {
    pub(crate) boat: &'a Boat,
    pub(crate) bed: &'a Bed,
    pub(crate) frame: &'a LocalFrame,
    pub(crate) sizes: &'a Sizes,
    pub(crate) weed: bool,
}

/// What came of it.
pub(crate) struct Done {
    pub(crate) soundings: Vec<Sounding>,
    /// Cells in which weed was taken for the bed.
    pub(crate) weedy: Vec<CellId>,
    /// Too deep by this, mean over the soundings, metres.
    pub(crate) mean_settlement: f64,
    /// Below the transducer, mean, metres.
    pub(crate) mean_range: f64,
}

/// One straight line at one speed.
#[derive(Clone, Copy, Debug)]
struct Line {
    from: (f64, f64),
    to: (f64, f64),
    speed: f64,
}

impl Sail<'_> {
    pub(crate) fn day(&self, midnight: i64, block: &Block, level: &Level, dice: &mut Dice) -> Done {
        let d = &self.sizes.d;
        let mut time = midnight + 9 * 3_600_000 + dice.below(3_000_000) as i64;
        let hdop_centi = 80 + dice.below(81) as u16;
        let axis = self.boat.axis(self.sizes) * f64::from(hdop_centi) / 100.0;
        let mut wander = [0; 2].map(|_| Wander::new(RECEIVER_MEMORY_S, dice));
        let mut detection = Wander::new(dice.between(2.0, 6.0), dice);
        let half_tan = libm::tan((d.beam_deg / 2.0).to_radians());
        let mut done =
            Done { soundings: Vec::new(), weedy: Vec::new(), mean_settlement: 0.0, mean_range: 0.0 };
        for line in lines(block, dice) {
            let way = libm::hypot(line.to.0 - line.from.0, line.to.1 - line.from.1);
            let course = ((line.to.0 - line.from.0) / way, (line.to.1 - line.from.1) / way);
            let sinks = self.boat.sinks(line.speed, self.sizes);
            for second in 0..(way / line.speed) as i64 {
                let t = time + second * 1000;
                let along = second as f64 * line.speed;
                let (e, n) = (line.from.0 + course.0 * along, line.from.1 + course.1 * along);
                let error = [wander[0].step(dice) * axis, wander[1].step(dice) * axis];
                let hears = detection.step(dice);
                let heave = self.sizes.draw(dice, d.heave);
                // Height of the transducer above the datum.
                let above = level.at(t) - self.boat.true_draft - sinks;
                let under = self.bed.depth(e, n) + above;
                if under < KEEL_M {
                    continue;
                }
                let weed = if self.weed { self.bed.weed(e, n) } else { 0.0 };
                let hides = weed > 0.0 && dice.unit() > CLEAR;
                let bottom = nearest(|de, dn| self.bed.depth(e + de, n + dn) + above, half_tan);
                let range = if hides { (bottom - weed * dice.unit()).max(0.3) } else { bottom };
                let noise95 = libm::hypot(d.instrument, d.instrument_share * range);
                let noise = hears * noise95 / 1.96 * self.sizes.factor + heave;
                let late = self.boat.lag_s * line.speed;
                let at = self.frame.place(e - course.0 * late + error[0], n - course.1 * late + error[1]);
                if weed > 0.0 {
                    done.weedy.push(at.cell());
                }
                done.mean_settlement -= sinks;
                done.mean_range += range;
                done.soundings.push(self.sounding(
                    t,
                    at,
                    self.boat.shows(range, self.sizes) + noise,
                    hdop_centi,
                    line.speed,
                ));
            }
            let turn = 25.0 + dice.between(0.0, 15.0);
            time += ((way / line.speed + turn) * 1000.0) as i64;
            wander.iter_mut().for_each(|w| w.pause(turn, dice));
            detection.pause(turn, dice);
        }
        let n = done.soundings.len().max(1) as f64;
        done.mean_settlement /= n;
        done.mean_range /= n;
        done
    }

    fn sounding(
        &self,
        time: i64,
        at: leadline_model::GridPos,
        depth: f64,
        hdop: u16,
        speed: f64,
    ) -> Sounding {
        Sounding {
            time: UtcMillis(time),
            at,
            depth_mm: libm::round(depth * 1000.0) as i32,
            from: DepthFrom::Transducer,
            offset_mm: self.boat.offset_mm(),
            speed_mm_s: Some((speed * 1000.0) as u32),
            hdop_centi: Some(hdop),
            fix: self.boat.fix(),
            sats: Some(9),
            temp_centi: self.boat.temp_centi(),
            flags: Flags(0),
        }
    }
}

/// Main lines north and south in turn, then three or four lines across them; each at its own speed.
fn lines(block: &Block, dice: &mut Dice) -> Vec<Line> {
    let [w, e, s, n] = block.0;
    let spacing = dice.between(12.0, 18.0);
    let mut lines = Vec::new();
    let mains = ((e - w) / spacing) as usize;
    for i in 0..mains {
        let east = w + spacing * (i as f64 + 0.5) + dice.between(-1.5, 1.5);
        let (from, to) = ((east, s), (east, n));
        lines.push(turned(from, to, i % 2 == 1, dice));
    }
    let cross = 3 + dice.below(2);
    for i in 0..cross {
        let north = s + (n - s) * (i as f64 + dice.between(0.3, 0.7)) / cross as f64;
        lines.push(turned((w, north), (e, north), i % 2 == 0, dice));
    }
    lines
}

fn turned(from: (f64, f64), to: (f64, f64), back: bool, dice: &mut Dice) -> Line {
    let (from, to) = if back { (to, from) } else { (from, to) };
    Line { from, to, speed: dice.between(1.5, 4.0) }
}

impl Done {
    /// Mean of `f` at the times of the soundings.
    pub(crate) fn mean_over_times(&self, f: impl Fn(i64) -> f64) -> f64 {
        let n = self.soundings.len().max(1) as f64;
        self.soundings.iter().map(|s| f(s.time.0)).sum::<f64>() / n
    }
}
