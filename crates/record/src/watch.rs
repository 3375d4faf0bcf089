//! Whether depth, fix and time are alive, and whether the boat goes at a speed whose soundings are sure.

use leadline_ingest::{Format, Pulse};
use std::fmt;
use std::time::{Duration, Instant};

/// A vital sign that did not move for so long has stopped. Sounders and receivers speak at least every second or two.
const SILENT: Duration = Duration::from_secs(5);
/// At the beginning instruments may take longer.
const PATIENCE: Duration = Duration::from_secs(15);
/// Above this, mm/s, soundings are at best fair: 10 mph; common practice, no source.
const FAIR_SPEED: u32 = 4_470;
/// Above this, mm/s, they are void: 20 mph; common practice, no source.
const VOID_SPEED: u32 = 8_940;
/// A warning of speed is taken back this far below, mm/s, so that it does not flutter.
const SLACK: u32 = 300;

/// What a survey lives of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vital {
    /// Depths from the sounder.
    Depth,
    /// Positions that the receiver stands by.
    Fix,
    /// The receiver's time with its date.
    Time,
}

impl Vital {
    /// All.
    pub const ALL: [Self; 3] = [Self::Depth, Self::Fix, Self::Time];

    /// In one word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Depth => "depth",
            Self::Fix => "fix",
            Self::Time => "time",
        }
    }
}

/// Whether one is alive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Alive {
    /// Nothing came yet.
    NotYet,
    /// It moves.
    Yes,
    /// It came, and stopped.
    Stopped,
}

/// What the person at the tiller should know at once.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Warning {
    /// It has not come since the beginning.
    Missing(Vital),
    /// It stopped.
    Stopped(Vital),
    /// It is there (again).
    Back(Vital),
    /// The receiver says that it has no fix.
    NoFix,
    /// Soundings are at best fair at this speed.
    Fast,
    /// Soundings are void at this speed.
    TooFast,
    /// The speed is in the sure range again.
    SlowEnough,
    /// The disk fills: so many bytes are left.
    DiskLow(u64),
    /// The disk refuses what is written.
    DiskRefuses(String),
    /// The disk takes it again; so many bytes were lost in between.
    DiskBack(u64),
    /// Legs that closed could not be kept yet.
    LegsWait(String),
    /// The system dropped so many datagrams of this source: the computer was too busy.
    Dropped(String, u64),
    /// What comes is no log of instruments.
    NoLog,
    /// A source speaks another kind of log than the recording: the source, its kind, that of the recording.
    OtherKind(String, Format, Format),
}

impl Warning {
    /// A short name for programs.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Missing(_) => "missing",
            Self::Stopped(_) => "stopped",
            Self::Back(_) => "back",
            Self::NoFix => "no-fix",
            Self::Fast => "fast",
            Self::TooFast => "too-fast",
            Self::SlowEnough => "slow-enough",
            Self::DiskLow(_) => "disk-low",
            Self::DiskRefuses(_) => "disk-refuses",
            Self::DiskBack(_) => "disk-back",
            Self::LegsWait(_) => "legs-wait",
            Self::Dropped(..) => "dropped",
            Self::NoLog => "no-log",
            Self::OtherKind(..) => "other-kind",
        }
    }
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing(v) => write!(
                f,
                "no {} has come yet: check that the instrument is on and its output goes to this source (`leadline check`)",
                v.word()
            ),
            Self::Stopped(v) => {
                write!(f, "the {} has stopped: nothing for {} s", v.word(), SILENT.as_secs())
            }
            Self::Back(v) => write!(f, "the {} is there", v.word()),
            Self::NoFix => f.write_str("the receiver has no fix: these depths get no place"),
            Self::Fast => f.write_str("faster than 4.47 m/s: depths are at best fair"),
            Self::TooFast => f.write_str("faster than 8.94 m/s: depths are void, the map does not grow"),
            Self::SlowEnough => f.write_str("the speed is in the sure range again"),
            Self::DiskLow(n) => write!(f, "the disk fills: {} MB are left", n >> 20),
            Self::DiskRefuses(why) => {
                write!(f, "the disk refuses the recording ({why}): make room now; what comes waits in memory")
            }
            Self::DiskBack(0) => f.write_str("the disk takes the recording again; nothing was lost"),
            Self::DiskBack(n) => write!(f, "the disk takes the recording again; {n} bytes were lost"),
            Self::LegsWait(why) => {
                write!(f, "closed legs wait ({why}); they are in the recording, and are tried again")
            }
            Self::Dropped(source, n) => write!(
                f,
                "{n} datagrams of {source} were dropped because this computer is too busy: end other programs, or use tcp: where the instruments offer it"
            ),
            Self::OtherKind(source, kind, of) => write!(
                f,
                "{source} speaks {kind}, but this recording is {of}: nothing of that source is recorded, for all sources of one recording are one log; let the instruments send one kind (a gateway can), or record that source by itself in a second window"
            ),
            Self::NoLog => f.write_str(
                "what comes is no log of instruments that is understood; `leadline check` says more",
            ),
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Speed {
    Sure,
    Fair,
    Void,
}

/// Compares what was heard with what was heard before.
pub(crate) struct Watch {
    begun: Instant,
    before: Pulse,
    seen: [Option<Instant>; 3],
    state: [Alive; 3],
    missing_said: [bool; 3],
    fixless: bool,
    speed: Speed,
}

impl Watch {
    pub(crate) fn new(now: Instant) -> Self {
        Self {
            begun: now,
            before: Pulse::default(),
            seen: [None; 3],
            state: [Alive::NotYet; 3],
            missing_said: [false; 3],
            fixless: false,
            speed: Speed::Sure,
        }
    }

    /// Takes what was heard so far; what is to be said of it.
    pub(crate) fn look(&mut self, pulse: &Pulse, now: Instant) -> Vec<Warning> {
        let mut said = Vec::new();
        let moved = [
            pulse.all_depths() > self.before.all_depths(),
            pulse.fixes > self.before.fixes,
            pulse.dated > self.before.dated,
        ];
        for (i, vital) in Vital::ALL.into_iter().enumerate() {
            self.vital(i, vital, moved[i], now, &mut said);
        }
        self.no_fix(pulse, moved[1], &mut said);
        if moved[1] {
            self.speed_of(pulse.speed_mm_s.unwrap_or(0), &mut said);
        }
        self.before = *pulse;
        said
    }

    fn vital(&mut self, i: usize, vital: Vital, moved: bool, now: Instant, said: &mut Vec<Warning>) {
        if moved {
            self.seen[i] = Some(now);
            if self.state[i] == Alive::Stopped || self.missing_said[i] {
                said.push(Warning::Back(vital));
            }
            self.missing_said[i] = false;
            self.state[i] = Alive::Yes;
            return;
        }
        match self.seen[i] {
            Some(seen) if now - seen >= SILENT && self.state[i] == Alive::Yes => {
                self.state[i] = Alive::Stopped;
                said.push(Warning::Stopped(vital));
            }
            None if now - self.begun >= PATIENCE && !self.missing_said[i] => {
                self.missing_said[i] = true;
                said.push(Warning::Missing(vital));
            }
            _ => {}
        }
    }

    /// Said once, until a fix comes again.
    fn no_fix(&mut self, pulse: &Pulse, moved: bool, said: &mut Vec<Warning>) {
        if moved {
            self.fixless = false;
        } else if pulse.void_fixes > self.before.void_fixes && !self.fixless {
            self.fixless = true;
            said.push(Warning::NoFix);
        }
    }

    fn speed_of(&mut self, mm_s: u32, said: &mut Vec<Warning>) {
        let band = |slack: u32| match mm_s.saturating_add(slack) {
            v if v > VOID_SPEED => Speed::Void,
            v if v > FAIR_SPEED => Speed::Fair,
            _ => Speed::Sure,
        };
        let (up, down) = (band(0), band(SLACK));
        let new = if up > self.speed { up } else { down.min(self.speed) };
        if new == self.speed {
            return;
        }
        self.speed = new;
        said.push(match new {
            Speed::Sure => Warning::SlowEnough,
            Speed::Fair => Warning::Fast,
            Speed::Void => Warning::TooFast,
        });
    }

    /// Whether each vital sign is alive, and how long ago it last moved.
    pub(crate) fn state(&self, now: Instant) -> [(Vital, Alive, Option<Duration>); 3] {
        std::array::from_fn(|i| (Vital::ALL[i], self.state[i], self.seen[i].map(|s| now - s)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pulse(depths: u64, fixes: u64, dated: u64, speed: u32) -> Pulse {
        let mut p = Pulse { fixes, dated, speed_mm_s: Some(speed), ..Pulse::default() };
        p.depths[0] = depths;
        p
    }

    #[test]
    fn each_vital_sign_is_watched_for_itself() {
        let t0 = Instant::now();
        let at = |s| t0 + Duration::from_secs(s);
        let mut w = Watch::new(t0);
        assert_eq!(w.look(&pulse(1, 1, 0, 0), at(1)), []);
        assert_eq!(w.look(&pulse(2, 1, 0, 0), at(5)), []);
        assert_eq!(w.look(&pulse(3, 1, 0, 0), at(6)), [Warning::Stopped(Vital::Fix)]);
        assert_eq!(w.look(&pulse(4, 1, 0, 0), at(7)), [], "said once");
        assert_eq!(w.look(&pulse(5, 2, 0, 0), at(8)), [Warning::Back(Vital::Fix)]);
        let said = w.look(&pulse(6, 3, 0, 0), at(15));
        assert_eq!(said, [Warning::Missing(Vital::Time)]);
        assert_eq!(w.look(&pulse(7, 4, 1, 0), at(16)), [Warning::Back(Vital::Time)]);
        let states = w.state(at(18)).map(|(_, a, age)| (a, age.map(|d| d.as_secs())));
        assert_eq!(states, [(Alive::Yes, Some(2)); 3]);
    }

    #[test]
    fn speed_is_said_when_its_band_changes() {
        let t0 = Instant::now();
        let mut w = Watch::new(t0);
        let mut fixes = 0;
        let mut at = |mm_s| {
            fixes += 1;
            w.look(&pulse(fixes, fixes, fixes, mm_s), t0)
        };
        assert_eq!(at(4_470), []);
        assert_eq!(at(4_471), [Warning::Fast]);
        assert_eq!(at(4_400), [], "within the slack");
        assert_eq!(at(9_000), [Warning::TooFast]);
        assert_eq!(at(8_900), []);
        assert_eq!(at(8_000), [Warning::Fast]);
        assert_eq!(at(4_100), [Warning::SlowEnough]);
        assert_eq!(at(9_000), [Warning::TooFast]);
        assert_eq!(at(100), [Warning::SlowEnough]);
    }

    #[test]
    fn a_receiver_without_a_fix_is_told_from_a_silent_one() {
        let t0 = Instant::now();
        let mut w = Watch::new(t0);
        let mut p = pulse(1, 1, 1, 0);
        w.look(&p, t0);
        p.void_fixes = 1;
        assert_eq!(w.look(&p, t0), [Warning::NoFix]);
        p.void_fixes = 2;
        assert_eq!(w.look(&p, t0), []);
    }
}
