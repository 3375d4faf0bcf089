//! Boats: what is true of them and what people say of them.

use super::dice::Dice;
use super::{Options, Sizes, text};
use leadline_model::{FixClass, Setup, UtcMillis};
use leadline_reduce::fresh_water;

const NAMES: [&str; 6] = ["Wren", "Tern", "Dabchick", "Dunlin", "Egret", "Fulmar"];
/// What the sounders assume, m/s.
const ASSUMED: f64 = 1500.0;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Draft {
    Typed,
    Logged,
    Unknown,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Sound {
    Known,
    TemperatureUnknown,
    SounderUnknown,
}

#[derive(Clone, Debug)]
pub(crate) struct Boat {
    pub(crate) name: &'static str,
    pub(crate) draft: Draft,
    /// Metres.
    pub(crate) true_draft: f64,
    /// As typed or logged; 0 where unknown.
    pub(crate) said_draft: f64,
    pub(crate) sound: Sound,
    /// Share of the depth below the transducer by which it is too deep after reduction.
    pub(crate) scale: f64,
    /// Delay of the position behind the depth, seconds: the truth, and what was typed.
    pub(crate) lag_s: f64,
    pub(crate) said_lag_s: Option<f64>,
    /// Metres at the speed of the budget's line; positive = the hull sinks.
    pub(crate) settlement: f64,
    pub(crate) corrected: bool,
    /// Its sounder states the temperature.
    celsius: Option<f64>,
}

impl Boat {
    pub(crate) fn draw(number: usize, options: &Options, sizes: &Sizes, dice: &mut Dice) -> Self {
        let d = &sizes.d;
        let draft = match dice.unit() {
            _ if options.all_known => Draft::Typed,
            u if u < 0.60 => Draft::Typed,
            u if u < 0.85 => Draft::Logged,
            _ => Draft::Unknown,
        };
        let said = libm::round(dice.between(0.2, 0.5) * 100.0) / 100.0;
        let (said_draft, true_draft) = match draft {
            Draft::Typed => (said, said + sizes.draw(dice, d.draft_typed)),
            Draft::Logged => (said, said + sizes.draw(dice, d.draft_logged)),
            // Nothing is added: all of the draft is an error, and a transducer hangs in the water.
            Draft::Unknown => (0.0, sizes.draw(dice, d.draft_unknown).abs()),
        };
        let (sound, share) = match dice.unit() {
            _ if options.all_known => (Sound::Known, d.sound_known),
            u if u < 0.55 => (Sound::Known, d.sound_known),
            u if u < 0.80 => (Sound::TemperatureUnknown, d.temperature_unknown),
            _ => (Sound::SounderUnknown, d.sound_unknown),
        };
        let said_lag_s = (dice.unit() < 0.25).then(|| libm::round(dice.between(-1.0, 1.0) * 10.0) / 10.0);
        let lag95 = if said_lag_s.is_some() { d.lag_typed_s } else { d.lag_unknown_s };
        Self {
            name: NAMES[number % NAMES.len()],
            draft,
            true_draft,
            said_draft,
            sound,
            scale: sizes.draw(dice, share),
            lag_s: said_lag_s.unwrap_or(0.0) + sizes.draw(dice, lag95),
            said_lag_s,
            settlement: sizes.draw(dice, d.settlement),
            corrected: dice.unit() < 0.6,
            celsius: (sound == Sound::Known).then(|| libm::round(dice.between(8.0, 24.0))),
        }
    }

    /// What people say of it.
    pub(crate) fn setup(&self) -> Setup {
        let mm = |m: f64| libm::round(m * 1000.0) as i32;
        Setup {
            boat: text(self.name),
            from: UtcMillis(0),
            draft_mm: (self.draft == Draft::Typed).then(|| mm(self.said_draft)),
            sound_speed_mm_s: (self.sound != Sound::SounderUnknown).then(|| mm(ASSUMED)),
            temp_centi: None,
            lag_ms: self.said_lag_s.map(mm),
        }
    }

    /// Too deep by this much, metres.
    pub(crate) fn draft_error(&self) -> f64 {
        self.said_draft - self.true_draft
    }

    /// How much the hull sinks at `speed`, metres.
    pub(crate) fn sinks(&self, speed: f64, sizes: &Sizes) -> f64 {
        let v = speed / sizes.d.settlement_speed;
        self.settlement * v * v
    }

    /// What the sounder shows for a true way of `range` metres.
    pub(crate) fn shows(&self, range: f64, sizes: &Sizes) -> f64 {
        let used = match self.sound {
            Sound::SounderUnknown => 1.0,
            _ => {
                let c = self.celsius.unwrap_or(sizes.d.temperature);
                fresh_water(c).expect("water") / ASSUMED
            }
        };
        range * (1.0 + self.scale) / used
    }

    /// Transducer to water line as the sounder's sentences say it, mm.
    pub(crate) fn offset_mm(&self) -> Option<i16> {
        (self.draft == Draft::Logged).then(|| libm::round(self.said_draft * 1000.0) as i16)
    }

    pub(crate) fn temp_centi(&self) -> Option<i16> {
        self.celsius.map(|c| (c * 100.0) as i16)
    }

    pub(crate) fn fix(&self) -> FixClass {
        if self.corrected { FixClass::Differential } else { FixClass::Autonomous }
    }

    /// Error of the position in one axis at HDOP 1, one standard deviation, metres.
    pub(crate) fn axis(&self, sizes: &Sizes) -> f64 {
        let at_one = if self.corrected { sizes.d.position_corrected } else { sizes.d.position };
        at_one * sizes.factor / libm::sqrt(2.0)
    }
}
