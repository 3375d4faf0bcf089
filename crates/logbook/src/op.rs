//! What an entry says: the writes of body version 1. Variants are only ever added at the end, with a new version.

use crate::{Domain, Limits, leg_id};
use leadline_model::{
    DeviceId, Digest, LEG_MILLIS, LegId, LegWindow, Nonce, Setup, StageReading, StripDigest, SurveyId, Text,
    TileId, UtcMillis,
};
use serde::{Deserialize, Serialize};

/// One write.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Op {
    /// Begins a survey; its device is the founder.
    Found(Founding),
    /// Admits a device.
    Member(Member),
    /// Makes an invite that a member may later turn into an admission.
    Invite(Invite),
    /// Claims a leg.
    Leg(LegClaim),
    /// States a boat's setup.
    Setup {
        /// The statement.
        setup: Setup,
        /// Earlier statements it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// States an observed stage.
    Stage {
        /// The reading.
        reading: StageReading,
        /// Earlier readings it takes the place of.
        replaces: Vec<WriteRef>,
    },
}

/// The begin of a survey. Its id is made of the founder's key and the nonce, so nobody else can begin it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Founding {
    /// Random.
    pub nonce: Nonce,
    /// The water.
    pub name: Text,
    /// The level that depths are counted from, in words.
    pub datum: Text,
    /// The founder's name for this device.
    pub device_name: Text,
}

impl Founding {
    /// The survey's id if `founder` began it.
    pub fn survey_id(&self, founder: &DeviceId) -> SurveyId {
        let d = Domain::Survey.digest(&[&founder.0, &self.nonce.0]).0;
        SurveyId(d.first_chunk().copied().expect("a digest has 32 bytes"))
    }
}

/// What a member may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Reads and relays.
    Reader,
    /// Also writes soundings, setups, stages.
    Contributor,
    /// Also admits and dismisses.
    Keeper,
}

/// The admission of a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Member {
    /// Who is admitted.
    pub device: DeviceId,
    /// Its name.
    pub name: Text,
    /// What it may do.
    pub role: Role,
    /// Public key of the invite it brought.
    pub invite: Option<[u8; 32]>,
}

/// A one-time invite.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Invite {
    /// Public key; the secret half is in the invite's text.
    pub key: [u8; 32],
    /// Not honoured after this moment.
    pub expires: UtcMillis,
    /// Role of the device that brings it.
    pub role: Role,
}

/// A device's claim of a leg.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LegClaim {
    /// The hull that measured.
    pub boat: Text,
    /// What gave the depths.
    pub instrument: Text,
    /// Digest of the log the leg was read from.
    pub source: Digest,
    /// The ten minutes.
    pub window: LegWindow,
    /// Readings that did not become soundings: kind (a short code) and count.
    pub counts: Vec<(Text, u32)>,
    /// Its strips in tile order.
    pub strips: Vec<StripRef>,
}

/// One strip of a leg.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StripRef {
    /// Where.
    pub tile: TileId,
    /// Its content.
    pub digest: StripDigest,
    /// Soundings.
    pub count: u32,
    /// First sounding, ms after the window's start.
    pub first_ms: u32,
    /// Last sounding, ms after the window's start.
    pub last_ms: u32,
}

impl LegClaim {
    /// The leg's id, made of its window and strips.
    pub fn leg(&self) -> LegId {
        leg_id(self.window, &self.strips)
    }
}

/// Names one write of one entry: the last part of its document key.
///
/// It is made of the entry's id and not of the envelope's nonce: a nonce can be copied, and a copied one would put two
/// writes at one key and hide one of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct WriteRef {
    /// The first 16 bytes of the entry's id.
    pub nonce: Nonce,
    /// The write's number in the entry, from 0.
    pub n: u16,
}

impl std::fmt::Display for WriteRef {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{:04x}", self.nonce, self.n)
    }
}

impl std::str::FromStr for WriteRef {
    type Err = leadline_model::IdParseError;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let (nonce, n) = text.split_at_checked(2 * Nonce::LEN).unwrap_or((text, ""));
        let n = u16::from_str_radix(n, 16).map_err(|_| leadline_model::IdParseError::Digit)?;
        Ok(Self { nonce: nonce.parse()?, n })
    }
}

/// Whether `op` keeps to the bounds that its layout alone does not give.
pub(crate) fn is_sound(op: &Op, limits: &Limits) -> bool {
    match op {
        Op::Found(_) | Op::Member(_) => true,
        Op::Invite(i) => plausible(i.expires),
        Op::Leg(claim) => is_sound_claim(claim, limits),
        Op::Setup { setup, replaces } => is_sound_setup(setup) && replaces.len() <= limits.writes,
        Op::Stage { reading, replaces } => {
            plausible(reading.at)
                && reading.level_mm.unsigned_abs() <= MAX_LEVEL_MM
                && replaces.len() <= limits.writes
        }
    }
}

/// ± 10 km: beyond any lake above or below any datum.
const MAX_LEVEL_MM: u32 = 10_000_000;

/// Years 1980 to 2200: a receiver's clock can be wrong, but not that wrong.
pub(crate) fn plausible(t: UtcMillis) -> bool {
    (315_532_800_000..7_258_118_400_000).contains(&t.0)
}

fn is_sound_claim(c: &LegClaim, limits: &Limits) -> bool {
    let soundings = c.strips.iter().fold(0u64, |n, s| n.saturating_add(s.count.into()));
    let strips_ok = c.strips.iter().all(|s| {
        s.count >= 1
            && s.count as usize <= limits.strip_soundings
            && s.first_ms <= s.last_ms
            && i64::from(s.last_ms) < LEG_MILLIS
    });
    // A leg's soundings may be fewer than its readings but never none: an empty leg has no id.
    !c.strips.is_empty()
        && c.strips.len() <= limits.writes
        && c.strips.windows(2).all(|w| w[0].tile < w[1].tile)
        && strips_ok
        && soundings <= limits.strip_soundings as u64
        && c.counts.len() <= 64
        && plausible(c.window.start())
}

fn is_sound_setup(s: &Setup) -> bool {
    let within = |v: Option<i32>, lo: i32, hi: i32| v.is_none_or(|v| (lo..=hi).contains(&v));
    plausible(s.from)
        && within(s.draft_mm, -10_000, 50_000)
        && within(s.sound_speed_mm_s, 1_300_000, 1_700_000)
        && within(s.temp_centi.map(i32::from), -300, 5_000)
        && within(s.lag_ms, -60_000, 60_000)
}
