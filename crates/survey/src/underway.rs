//! How a recording stands, for others on this device: two small files beside the journal, written by whoever records
//! and read by whoever shows.
//!
//! `now.json` is written once a second: where the boat is, what the sounder says, how old each is. `own.strips` is
//! written every few seconds: the soundings of the leg that is growing, packed as they will be when it closes. Both are
//! written whole under another name and renamed. Neither is put on the disk: after a pulled plug they are worth nothing.

use crate::provisional::Wake;
use crate::{Error, Home};
use leadline_logbook::{Limits, PackedLeg, unpack_strip};
use leadline_model::{GridPos, LonLat, Sounding, StripDigest, SurveyId, UtcMillis};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Another one when the meaning of a field changes.
const VERSION: u8 = 1;
/// More than a state ever has.
const MOST_BYTES: u64 = 64 << 10;
/// Most strips of an open leg: what one leg may hold lies on no more tiles than this.
const MOST_STRIPS: usize = 256;
/// What was not renewed for so long belongs to a recording that has ended or was killed, ms.
pub const OVER_MS: i64 = 60_000;

/// How a recording stands. Ages are in milliseconds at the moment of writing.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Underway {
    /// Set by [`show_underway`].
    #[doc(hidden)]
    pub version: u8,
    /// The boat.
    pub boat: String,
    /// When this was written, by this device's clock, ms since 1970.
    pub written: i64,
    /// The last position that the receiver stands by.
    pub at: Option<[f64; 2]>,
    /// How old it is.
    pub fix_age: Option<u64>,
    /// Course made good over the last seconds, degrees clockwise from north; none while the boat lies still.
    pub course_deg: Option<f64>,
    /// Speed over ground, mm/s.
    pub speed_mm_s: Option<u32>,
    /// The last depth as the sounder gave it, mm.
    pub depth_mm: Option<i32>,
    /// What it was measured from: `transducer`, `surface` or `keel`.
    pub depth_from: String,
    /// The sounder's own statement, mm: positive from transducer to water line, negative to the keel.
    pub offset_mm: Option<i16>,
    /// How old the depth is.
    pub depth_age: Option<u64>,
    /// The receiver's time, ms since 1970.
    pub time: Option<i64>,
    /// How long ago it last moved.
    pub time_age: Option<u64>,
    /// Depth of the transducer as typed with the recording, mm.
    pub draft_mm: Option<i32>,
    /// Sound speed the sounder assumes, as typed, mm/s.
    pub sound_speed_mm_s: Option<i32>,
    /// Water temperature as typed, hundredths of °C.
    pub temp_centi: Option<i16>,
    /// Soundings so far.
    pub soundings: u64,
    /// Legs kept so far.
    pub legs: u64,
    /// What is wrong now, in words.
    pub troubles: Vec<String>,
}

impl Underway {
    /// How old this is at `now`, ms. A clock that was set back makes it old, not new.
    pub fn age(&self, now: UtcMillis) -> u64 {
        now.0.abs_diff(self.written)
    }

    /// Where the boat is, if it is a place on the grid.
    pub fn place(&self) -> Option<GridPos> {
        let [lon, lat] = self.at?;
        GridPos::from_lonlat(LonLat { lon, lat })
    }
}

fn state_file(home: &Home, survey: &SurveyId) -> PathBuf {
    Wake::of(home, survey).dir().join("now.json")
}

fn strips_file(home: &Home, survey: &SurveyId) -> PathBuf {
    Wake::of(home, survey).dir().join("own.strips")
}

/// Says how the recording stands; `None` says that it has ended.
pub fn show_underway(home: &Home, survey: &SurveyId, state: Option<&Underway>) -> Result<(), Error> {
    let path = state_file(home, survey);
    match state {
        None => {
            take_away(&strips_file(home, survey))?;
            take_away(&path)
        }
        Some(state) => {
            let state = Underway { version: VERSION, ..state.clone() };
            let bytes = serde_json::to_vec(&state).map_err(|e| Error::file(&path)(e.into()))?;
            pass_on(&path, &bytes)
        }
    }
}

/// How the recording of this device stands; `None` if there is none, or what is there cannot be read.
pub fn underway(home: &Home, survey: &SurveyId, now: UtcMillis) -> Option<Underway> {
    let path = state_file(home, survey);
    (std::fs::metadata(&path).ok()?.len() <= MOST_BYTES).then_some(())?;
    let state: Underway = serde_json::from_slice(&std::fs::read(&path).ok()?).ok()?;
    (state.version == VERSION && state.age(now) <= OVER_MS as u64).then_some(state)
}

/// Lays the soundings of the growing leg beside the journal.
pub fn show_open_soundings(home: &Home, survey: &SurveyId, soundings: &[Sounding]) -> Result<(), Error> {
    let path = strips_file(home, survey);
    let Some(window) = soundings.first().map(|s| s.time.leg_window()) else { return take_away(&path) };
    let legs = PackedLeg::of(window, soundings.to_vec(), &Limits::default())?;
    let mut out = Vec::new();
    for strip in legs.iter().flat_map(|l| &l.strips) {
        out.extend(u32::try_from(strip.packed.len()).unwrap_or(0).to_le_bytes());
        out.extend(strip.digest.0);
        out.extend(&strip.packed);
    }
    pass_on(&path, &out)
}

/// The soundings of the leg that this device is recording, in canonical order; empty if there are none, or what is
/// there is damaged.
pub fn open_soundings(home: &Home, survey: &SurveyId) -> Vec<Sounding> {
    let path = strips_file(home, survey);
    let limits = Limits::default();
    let most = (limits.strip_packed as u64 + 36) * 16;
    let small = std::fs::metadata(&path).is_ok_and(|m| m.len() <= most);
    let bytes = if small { std::fs::read(&path).unwrap_or_default() } else { Vec::new() };
    unpack(&bytes, &limits).unwrap_or_default()
}

fn unpack(mut bytes: &[u8], limits: &Limits) -> Option<Vec<Sounding>> {
    let mut all = Vec::new();
    for _ in 0..MOST_STRIPS {
        let Some((len, rest)) = bytes.split_first_chunk::<4>() else { break };
        let (digest, rest) = rest.split_first_chunk::<32>()?;
        let (packed, rest) = rest.split_at_checked(u32::from_le_bytes(*len) as usize)?;
        all.extend(unpack_strip(packed, &StripDigest(*digest), limits).ok()?.1);
        bytes = rest;
    }
    all.sort_unstable();
    bytes.is_empty().then_some(all)
}

/// Written whole or not at all, but not put on the disk.
fn pass_on(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    if let Some(dir) = path.parent() {
        std::fs::create_dir_all(dir).map_err(Error::file(dir))?;
    }
    let temp = path.with_extension(format!("{}.tmp", std::process::id()));
    let written = std::fs::write(&temp, bytes).and_then(|()| std::fs::rename(&temp, path));
    written.inspect_err(|_| drop(std::fs::remove_file(&temp))).map_err(Error::file(path))
}

fn take_away(path: &Path) -> Result<(), Error> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(Error::file(path)(e)),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{DepthFrom, FixClass, Flags};

    fn home() -> (tempfile::TempDir, Home) {
        let dir = tempfile::tempdir().expect("a folder");
        let home = Home::open(Some(dir.path())).expect("a home");
        (dir, home)
    }

    #[test]
    fn a_state_is_told_until_it_is_old_or_taken_away() {
        let (_dir, home) = home();
        let survey = SurveyId([7; 16]);
        let now = UtcMillis(1_777_629_600_000);
        assert_eq!(underway(&home, &survey, now), None);
        let state =
            Underway { boat: "He\"ron".into(), written: now.0, at: Some([7.4, 48.2]), ..Underway::default() };
        show_underway(&home, &survey, Some(&state)).expect("shown");
        let read = underway(&home, &survey, UtcMillis(now.0 + OVER_MS)).expect("there");
        assert_eq!(Underway { version: 0, ..read.clone() }, state);
        assert_eq!(read.age(UtcMillis(now.0 - 3_000)), 3_000, "a clock set back");
        assert_eq!(underway(&home, &survey, UtcMillis(now.0 + OVER_MS + 1)), None);
        assert_eq!(underway(&home, &SurveyId([8; 16]), now), None, "another survey's");
        std::fs::write(state_file(&home, &survey), b"{\"version\":1").expect("written");
        assert_eq!(underway(&home, &survey, now), None, "damaged");
        show_underway(&home, &survey, None).expect("taken away");
        show_underway(&home, &survey, None).expect("nothing to take away");
    }

    #[test]
    fn soundings_come_back_as_they_were_and_damage_gives_none() {
        let (_dir, home) = home();
        let survey = SurveyId([7; 16]);
        // Two tiles: 0.02° of longitude is wider than one.
        let sounding = |i: i32| Sounding {
            time: UtcMillis(1_777_629_600_000 + i64::from(i) * 100),
            at: GridPos::from_lonlat(LonLat { lon: 7.4 + f64::from(i) * 1e-5, lat: 48.2 })
                .expect("on the grid"),
            depth_mm: 5_000 + i,
            from: DepthFrom::Transducer,
            offset_mm: None,
            speed_mm_s: Some(1_500),
            hdop_centi: None,
            fix: FixClass::Autonomous,
            sats: None,
            temp_centi: None,
            flags: Flags::default(),
        };
        let all: Vec<Sounding> = (0..2_000).map(sounding).collect();
        show_open_soundings(&home, &survey, &all).expect("shown");
        assert_eq!(open_soundings(&home, &survey), all);
        let path = strips_file(&home, &survey);
        let bytes = std::fs::read(&path).expect("there");
        for bad in [&bytes[..bytes.len() - 1], &bytes[1..], b"abc"] {
            std::fs::write(&path, bad).expect("written");
            assert_eq!(open_soundings(&home, &survey), []);
        }
        show_open_soundings(&home, &survey, &[]).expect("taken away");
        assert!(!path.exists());
    }
}
