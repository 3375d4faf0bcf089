//! What an entry says: the writes of its body. Variants are only ever added at the end, with a new body version.

use crate::{Domain, leg_id};
use leadline_model::{
    DeviceId, Digest, EntryId, Epoch, Gauge, GridPos, LegId, LegWindow, Levelling, Mark, Nonce, Setup,
    Shoreline, SpeedLimits, StageReading, StripDigest, SurveyId, Text, TileId, UtcMillis, Verdict, WaterCast,
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
        /// Earlier readings it takes the place of; a series among them goes as a whole.
        replaces: Vec<WriteRef>,
    },
    /// States a decision on soundings. From here on: body version 2.
    Verdict {
        /// The decision.
        verdict: Verdict,
        /// Earlier decisions it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// States the water's temperature and salt.
    Water {
        /// The cast.
        cast: WaterCast,
        /// Earlier casts it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// States where a gauge stands and where its zero lies.
    Gauge {
        /// The gauge.
        gauge: Gauge,
        /// Earlier statements it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// States the centre line of flowing water, one a survey.
    River {
        /// The line, in either direction; empty = the water does not flow.
        line: Vec<GridPos>,
        /// Earlier lines it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// Gives a boat another name.
    Rename {
        /// The name it has in claims and statements.
        boat: Text,
        /// The name it is shown and reduced under; its own name takes a renaming back.
        to: Text,
        /// Earlier renamings it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// States many observed stages of one gauge, as imported from a record.
    Series {
        /// The gauge.
        gauge: Text,
        /// Where the record comes from, in words.
        from: Text,
        /// When the first reading was taken.
        first: UtcMillis,
        /// Seconds after the reading before (0 for the first) and level above the gauge's zero, mm: 1 to
        /// [`MAX_SERIES`] of them.
        readings: Vec<(u32, i32)>,
        /// Earlier readings and series it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// Applies a levelling.
    Level {
        /// The whole solution.
        levelling: Levelling,
        /// Levellings it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// Takes levellings back.
    Unlevel {
        /// Which.
        replaces: Vec<WriteRef>,
    },
    /// States how fast boats may go while they sound.
    Speeds {
        /// The limits.
        limits: SpeedLimits,
        /// Earlier statements it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// States the edge of the water, one a survey. From here on: body version 3.
    Shore {
        /// The shoreline; without rings it takes the earlier ones away.
        shore: Shoreline,
        /// Earlier ones it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// Dismisses a device or changes its role. From here on: body version 4.
    Standing(Standing),
    /// Announces that the survey's secret was changed. The secret itself is in no entry.
    Secret {
        /// 1 for the first change; the greatest one is in force, of equals the smaller digest.
        generation: u32,
        /// Digest of the secret, by which a device knows that the one it is given is right.
        digest: Digest,
    },
    /// Gives the device that signs another name.
    DeviceName {
        /// The name.
        name: Text,
        /// Earlier names it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// Reads another survey of the same water together with this one.
    Adopt {
        /// The other survey.
        survey: SurveyId,
        /// Its name, for words.
        name: Text,
        /// Earlier statements on that survey it takes the place of.
        replaces: Vec<WriteRef>,
    },
    /// Takes adoptions back.
    Unadopt {
        /// Which.
        replaces: Vec<WriteRef>,
    },
    /// States a mark that is shared with the crew.
    Mark {
        /// The mark; `None` takes away the ones it replaces.
        mark: Option<Mark>,
        /// Earlier states it takes the place of.
        replaces: Vec<WriteRef>,
    },
}

/// Most readings of one [`Op::Series`]: they fit an entry with room for their names and what they replace.
pub const MAX_SERIES: usize = 4_000;

impl Op {
    /// The lowest body version that can hold it.
    pub(crate) fn body_version(&self) -> u8 {
        match self {
            Self::Found(_)
            | Self::Member(_)
            | Self::Invite(_)
            | Self::Leg(_)
            | Self::Setup { .. }
            | Self::Stage { .. } => 1,
            Self::Verdict { .. }
            | Self::Water { .. }
            | Self::Gauge { .. }
            | Self::River { .. }
            | Self::Rename { .. }
            | Self::Series { .. }
            | Self::Level { .. }
            | Self::Unlevel { .. }
            | Self::Speeds { .. } => 2,
            Self::Shore { .. } => 3,
            Self::Standing(_)
            | Self::Secret { .. }
            | Self::DeviceName { .. }
            | Self::Adopt { .. }
            | Self::Unadopt { .. }
            | Self::Mark { .. } => 4,
        }
    }

    /// The writes whose place it takes.
    pub fn replaces(&self) -> &[WriteRef] {
        match self {
            Self::Found(_) | Self::Member(_) | Self::Invite(_) | Self::Leg(_) | Self::Secret { .. } => &[],
            Self::Standing(s) => &s.replaces,
            Self::Setup { replaces, .. }
            | Self::Stage { replaces, .. }
            | Self::Verdict { replaces, .. }
            | Self::Water { replaces, .. }
            | Self::Gauge { replaces, .. }
            | Self::River { replaces, .. }
            | Self::Rename { replaces, .. }
            | Self::Series { replaces, .. }
            | Self::Level { replaces, .. }
            | Self::Speeds { replaces, .. }
            | Self::Shore { replaces, .. }
            | Self::DeviceName { replaces, .. }
            | Self::Adopt { replaces, .. }
            | Self::Mark { replaces, .. }
            | Self::Unadopt { replaces }
            | Self::Unlevel { replaces } => replaces,
        }
    }
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

/// A keeper's word on a member: dismissed, or another role from now on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// Who.
    pub device: DeviceId,
    /// The new role; `None` = dismissed.
    pub role: Option<Role>,
    /// The last entries that count under the standing before, one an epoch, ascending; of an epoch that is not
    /// named none do.
    pub cuts: Vec<Cut>,
    /// The reason in words.
    pub why: Text,
    /// Earlier standings of the device that it takes the place of: so a dismissed device is admitted again.
    pub replaces: Vec<WriteRef>,
}

/// The last entry of one epoch that counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Cut {
    /// The epoch.
    pub epoch: Epoch,
    /// The entry's number in it.
    pub seq: u64,
    /// The entry.
    pub id: EntryId,
}

/// Most epochs of one [`Standing`].
pub const MAX_CUTS: usize = 256;

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
