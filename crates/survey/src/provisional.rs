//! The leg that is being recorded, for showing only: where the boat has been and what the sounder said, a hundred
//! metres of wake rather than a measurement. Kept in a file of the device's folder while it is recorded, shown to the
//! crew by meetings that stay on, and held by nobody: the leg itself comes when it closes.
//!
//! Layout, version 1: `1`, the boat's name (length as one byte, then UTF-8), the count of points (u16), then for each
//! point time (ms since 1970, i64), grid x and y (u32) and indicated depth (mm, i32), all little-endian.

use crate::{Error, Home, replace_file};
use leadline_model::{DeviceId, GridPos, Sounding, SurveyId, Text, UtcMillis};
use std::path::PathBuf;
use std::time::{Duration, SystemTime};

const VERSION: u8 = 1;
const POINT_BYTES: usize = 20;
/// Most points: 3,000 of 20 bytes stay below what a meeting carries (64 KiB).
const MAX_POINTS: usize = 3_000;
/// What was not renewed for so long is no leg that is being recorded.
const FRESH: Duration = Duration::from_secs(60);
/// Most devices of a crew whose open legs are held.
const MAX_SHOWN: usize = 256;

/// A leg that is being recorded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OpenLeg {
    /// The boat.
    pub boat: Text,
    /// Where it was, when, and the depth as the instrument gave it; thinned evenly, the newest kept.
    pub points: Vec<OpenPoint>,
}

/// A point of the wake.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OpenPoint {
    /// When.
    pub time: UtcMillis,
    /// Where.
    pub at: GridPos,
    /// Indicated depth, mm; not reduced, not screened.
    pub depth_mm: i32,
}

impl OpenLeg {
    /// Of the soundings so far.
    pub fn of(boat: &Text, soundings: &[Sounding]) -> Self {
        let step = soundings.len().div_ceil(MAX_POINTS).max(1);
        let mut points: Vec<OpenPoint> = soundings
            .iter()
            .rev()
            .step_by(step)
            .map(|s| OpenPoint { time: s.time, at: s.at, depth_mm: s.depth_mm })
            .collect();
        points.reverse();
        Self { boat: boat.clone(), points }
    }

    fn encode(&self) -> Vec<u8> {
        let name = self.boat.as_str().as_bytes();
        let mut out = vec![VERSION, u8::try_from(name.len()).unwrap_or(0)];
        out.extend_from_slice(name.get(..usize::from(out[1])).unwrap_or_default());
        out.extend(u16::try_from(self.points.len()).unwrap_or(0).to_le_bytes());
        for p in &self.points {
            out.extend(p.time.0.to_le_bytes());
            out.extend(p.at.x().to_le_bytes());
            out.extend(p.at.y().to_le_bytes());
            out.extend(p.depth_mm.to_le_bytes());
        }
        out
    }

    /// From bytes of a file or a device, which may be anything.
    fn decode(bytes: &[u8]) -> Option<Self> {
        let (&[version, len], rest) = bytes.split_first_chunk::<2>()?;
        let (name, rest) = rest.split_at_checked(usize::from(len))?;
        let (count, rest) = rest.split_first_chunk::<2>()?;
        let count = usize::from(u16::from_le_bytes(*count));
        if version != VERSION || count > MAX_POINTS || rest.len() != count * POINT_BYTES {
            return None;
        }
        let boat = Text::new(std::str::from_utf8(name).ok()?).ok()?;
        Some(Self { boat, points: rest.chunks_exact(POINT_BYTES).map(point).collect::<Option<_>>()? })
    }
}

fn point(bytes: &[u8]) -> Option<OpenPoint> {
    let (time, rest) = bytes.split_first_chunk::<8>()?;
    let (x, rest) = rest.split_first_chunk::<4>()?;
    let (y, depth) = rest.split_first_chunk::<4>()?;
    let time = i64::from_le_bytes(*time);
    // Years 1970 to 9999: later arithmetic must not overflow.
    let time = Some(UtcMillis(time)).filter(|_| (0..253_402_300_800_000).contains(&time))?;
    let at = GridPos::new(u32::from_le_bytes(*x), u32::from_le_bytes(*y))?;
    Some(OpenPoint { time, at, depth_mm: i32::from_le_bytes(*depth.first_chunk()?) })
}

/// Where open legs of one survey lie.
#[derive(Clone, Debug)]
pub(crate) struct Wake {
    dir: PathBuf,
}

impl Wake {
    pub(crate) fn of(home: &Home, survey: &SurveyId) -> Self {
        Self { dir: home.root().join("recordings").join(format!("open-{survey}")) }
    }

    /// The folder of all that is shown of legs which are being recorded.
    pub(crate) fn dir(&self) -> &std::path::Path {
        &self.dir
    }

    fn own(&self) -> PathBuf {
        self.dir.join("own.leg")
    }

    /// The own open leg with a number that grows, if one is being recorded.
    pub(crate) fn to_show(&self) -> Option<(u64, Vec<u8>)> {
        let changed = std::fs::metadata(self.own()).ok()?.modified().ok()?;
        is_fresh(changed).then_some(())?;
        let number = changed.duration_since(SystemTime::UNIX_EPOCH).ok()?.as_millis();
        Some((u64::try_from(number).ok()?, std::fs::read(self.own()).ok()?))
    }

    /// Keeps what a device of the crew shows; what is not as it should be is dropped.
    pub(crate) fn seen(&self, from: &DeviceId, bytes: &[u8]) {
        let path = self.dir.join(format!("{from}.leg"));
        let room = || std::fs::read_dir(&self.dir).map_or(0, Iterator::count) < MAX_SHOWN;
        if OpenLeg::decode(bytes).is_some()
            && std::fs::create_dir_all(&self.dir).is_ok()
            && (path.exists() || room())
        {
            // For showing only: the next one comes in a moment.
            drop(replace_file(&path, bytes));
        }
    }
}

fn is_fresh(changed: SystemTime) -> bool {
    SystemTime::now().duration_since(changed).map_or(true, |age| age <= FRESH)
}

/// Shows the leg that this device is recording; `None` takes it away.
pub fn show_open_leg(home: &Home, survey: &SurveyId, leg: Option<&OpenLeg>) -> Result<(), Error> {
    let wake = Wake::of(home, survey);
    match leg {
        Some(leg) => {
            std::fs::create_dir_all(&wake.dir).map_err(Error::file(&wake.dir))?;
            replace_file(&wake.own(), &leg.encode())
        }
        None => match std::fs::remove_file(wake.own()) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(Error::file(&wake.own())(e)),
            _ => Ok(()),
        },
    }
}

/// The legs that are being recorded now, as far as this device knows: its own (no device named) and the crew's.
/// They are provisional: nothing of them is in the survey.
pub fn open_legs(home: &Home, survey: &SurveyId) -> Vec<(Option<DeviceId>, OpenLeg)> {
    let wake = Wake::of(home, survey);
    let Ok(list) = std::fs::read_dir(&wake.dir) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = list.filter_map(|e| Some(e.ok()?.path())).collect();
    paths.sort();
    let read = |path: &PathBuf| {
        let name = path.file_name()?.to_str()?.strip_suffix(".leg")?.to_owned();
        is_fresh(std::fs::metadata(path).ok()?.modified().ok()?).then_some(())?;
        let from = if name == "own" { None } else { Some(name.parse().ok()?) };
        Some((from, OpenLeg::decode(&std::fs::read(path).ok()?)?))
    };
    paths.iter().filter_map(read).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{DepthFrom, FixClass, Flags, LonLat};

    fn leg(n: i64) -> OpenLeg {
        let at = GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid");
        let sounding = |i| Sounding {
            time: UtcMillis(1_777_629_600_000 + i * 100),
            at,
            depth_mm: 5_000 + i as i32,
            from: DepthFrom::Transducer,
            offset_mm: None,
            speed_mm_s: None,
            hdop_centi: None,
            fix: FixClass::Autonomous,
            sats: None,
            temp_centi: None,
            flags: Flags::default(),
        };
        OpenLeg::of(&Text::new("Heron").expect("short"), &(0..n).map(sounding).collect::<Vec<_>>())
    }

    #[test]
    fn an_open_leg_is_thinned_and_read_again() {
        let leg = leg(24_000);
        assert!((MAX_POINTS / 2..=MAX_POINTS).contains(&leg.points.len()));
        assert_eq!(leg.points.last().map(|p| p.depth_mm), Some(5_000 + 23_999), "the newest is kept");
        let bytes = leg.encode();
        assert!(bytes.len() <= leadline_sync::PROVISIONAL_BYTES);
        assert_eq!(OpenLeg::decode(&bytes), Some(leg));
        for cut in 0..bytes.len().min(300) {
            assert_eq!(OpenLeg::decode(&bytes[..cut]), None);
        }
        for i in 0..40 {
            let mut bad = bytes.clone();
            bad[i] ^= 0xff;
            // Whatever the bytes are, there is an answer.
            drop(OpenLeg::decode(&bad));
        }
    }

    #[test]
    fn shown_seen_and_taken_away() {
        let dir = tempfile::tempdir().expect("a folder");
        let home = Home::open(Some(dir.path())).expect("a home");
        let survey = SurveyId([7; 16]);
        let wake = Wake::of(&home, &survey);
        assert_eq!((wake.to_show(), open_legs(&home, &survey)), (None, Vec::new()));
        show_open_leg(&home, &survey, Some(&leg(3))).expect("shown");
        let (_, bytes) = wake.to_show().expect("there");
        let crew = DeviceId([3; 32]);
        wake.seen(&crew, &bytes);
        wake.seen(&DeviceId([4; 32]), b"no leg");
        let mut all = open_legs(&home, &survey);
        all.sort_by_key(|(d, _)| *d);
        assert_eq!(all, [(None, leg(3)), (Some(crew), leg(3))]);
        show_open_leg(&home, &survey, None).expect("taken away");
        assert_eq!(wake.to_show(), None);
        assert_eq!(open_legs(&home, &survey).len(), 1);
    }
}
