//! Documents: one automerge document per tile and one per survey, built from entries and never from bytes of a
//! peer. They are caches: anything in them can be made again from the entries.

use crate::entry::Entry;
use crate::{Domain, LegClaim, Limits, Op, Role, StripRef, WriteRef, decode, encode};
use automerge::legacy::{Key, ObjectId, Op as AmOp, OpType};
use automerge::op_set2::ValueRef;
use automerge::{ActorId, Automerge, Change, ExpandedChange, ROOT, ReadDoc, ScalarValue};
use leadline_model::{DeviceId, LegId, TileId, UtcMillis};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::num::NonZeroU64;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Names a document.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum DocKey {
    /// What is not tied to a tile.
    Survey,
    /// The strips and verdicts of one tile.
    Tile(TileId),
}

impl std::fmt::Display for DocKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Survey => f.write_str("survey"),
            Self::Tile(t) => write!(f, "tile/{t}"),
        }
    }
}

/// One entry's writes to one document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DocChange {
    actor: [u8; 16],
    puts: BTreeMap<String, Vec<u8>>,
}

impl DocChange {
    /// Bytes of all that it writes, before a document packs it.
    pub fn size(&self) -> usize {
        self.puts.iter().map(|(key, value)| key.len() + value.len()).sum()
    }
}

/// A write as a document keeps it: with the device that signed it and its claimed time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Said<T> {
    /// Who signed.
    pub device: DeviceId,
    /// When, by that device's clock.
    pub claimed: UtcMillis,
    /// What.
    pub what: T,
}

/// What a document holds, decoded.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SurveyWrites {
    /// Claims of each leg; strips are named in them.
    pub claims: BTreeMap<LegId, Vec<Said<LegClaim>>>,
    /// All other writes by their key's last part.
    pub said: BTreeMap<WriteRef, Said<Op>>,
}

/// Why a document could not be read or written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum DocError {
    /// The saved bytes do not load: rebuild it from the entries.
    #[error("a cached document is damaged")]
    Damaged,
    /// automerge refused or failed on a change.
    #[error("a change could not be applied to its document")]
    Apply,
}

/// The writes of an entry, one change a document.
pub fn changes_of(entry: &Entry, limits: &Limits) -> BTreeMap<DocKey, DocChange> {
    changes_as(entry, Role::Keeper, limits)
}

/// The writes of an entry that counts as one of a device with this role ([`crate::Crew::counts_as`]). What speaks of
/// the crew goes in all the same: nobody reads the crew from a document, and so a change between keeper and contributor
/// leaves the documents as they are.
pub fn changes_as(entry: &Entry, role: Role, limits: &Limits) -> BTreeMap<DocKey, DocChange> {
    let mut puts: BTreeMap<DocKey, BTreeMap<String, Vec<u8>>> = BTreeMap::new();
    let heard = |op: &Op| role >= Role::Contributor || role.may_say(op);
    for (n, op) in entry.writes().filter(|(_, op)| heard(op)) {
        for (doc, key, value) in puts_of(entry, n, op, limits) {
            puts.entry(doc).or_default().entry(key).or_insert(value);
        }
    }
    puts.into_iter().map(|(doc, puts)| (doc, DocChange { actor: actor_of(entry, &doc), puts })).collect()
}

fn puts_of(entry: &Entry, n: WriteRef, op: &Op, limits: &Limits) -> Vec<(DocKey, String, Vec<u8>)> {
    let said = |what: &Op| {
        let e = entry.envelope();
        encode(&Said { device: e.device, claimed: e.claimed, what }, limits.entry * 2).unwrap_or_default()
    };
    let survey = |key: String| vec![(DocKey::Survey, key, said(op))];
    match op {
        Op::Found(_) => survey(format!("found/{n}")),
        Op::Member(m) => survey(format!("member/{}/{n}", m.device)),
        Op::Invite(_) => survey(format!("invite/{n}")),
        Op::Setup { setup, .. } => survey(format!("setup/{}/{n}", stem(setup.boat.as_str()))),
        Op::Stage { reading, .. } => survey(format!("stage/{}/{n}", stem(reading.gauge.as_str()))),
        Op::Verdict { .. } => survey(format!("verdict/{n}")),
        Op::Water { .. } => survey(format!("water/{n}")),
        Op::Gauge { gauge, .. } => survey(format!("gauge/{}/{n}", stem(gauge.name.as_str()))),
        Op::River { .. } => survey(format!("river/{n}")),
        Op::Rename { boat, .. } => survey(format!("rename/{}/{n}", stem(boat.as_str()))),
        Op::Series { gauge, .. } => survey(format!("series/{}/{n}", stem(gauge.as_str()))),
        Op::Level { .. } | Op::Unlevel { .. } => survey(format!("levelling/{n}")),
        Op::Speeds { .. } => survey(format!("speeds/{n}")),
        Op::Shore { .. } => survey(format!("shore/{n}")),
        Op::Standing(s) => survey(format!("standing/{}/{n}", s.device)),
        Op::Secret { .. } => survey(format!("secret/{n}")),
        Op::DeviceName { .. } => survey(format!("name/{n}")),
        Op::Adopt { .. } | Op::Unadopt { .. } => survey(format!("adopt/{n}")),
        Op::Mark { .. } => survey(format!("mark/{n}")),
        Op::Leg(claim) => {
            let leg = claim.leg();
            let strips = claim.strips.iter().map(|s| {
                (DocKey::Tile(s.tile), format!("strip/{leg}"), encode(s, limits.entry).unwrap_or_default())
            });
            survey(format!("leg/{leg}/{n}")).into_iter().chain(strips).collect()
        }
    }
}

/// The start of a name, for keys: they group by it, the value has it whole.
fn stem(name: &str) -> &str {
    let end = (0..=name.len().min(32)).rev().find(|i| name.is_char_boundary(*i));
    &name[..end.unwrap_or(0)]
}

/// Made of the whole entry: two entries never share an actor, whatever a device puts into its envelopes. (Two changes
/// of one actor with one number would each keep the other out.)
fn actor_of(entry: &Entry, doc: &DocKey) -> [u8; 16] {
    let d = Domain::Actor.digest(&[&entry.id().0, doc.to_string().as_bytes()]);
    d.0.first_chunk().copied().expect("a digest has 32 bytes")
}

/// A document with changes put in: its saved bytes, and the numbers of those changes that failed.
#[derive(Debug, PartialEq, Eq)]
pub struct Applied {
    /// To be kept.
    pub saved: Vec<u8>,
    /// Index of each change that was left out.
    pub failed: Vec<usize>,
}

/// Puts changes into a document in one batch, on a copy that is saved, loaded and compared before it counts.
/// If the batch fails it is halved until the failing changes stand alone; those are left out and named.
pub fn apply(doc: Option<&[u8]>, changes: &[DocChange]) -> Result<Applied, DocError> {
    let base = Kept { doc: doc.map_or_else(|| Ok(Automerge::new()), load)?, saved: None };
    let indexed: Vec<_> = changes.iter().enumerate().collect();
    let mut failed = Vec::new();
    let done = apply_some(base, &indexed, &mut failed);
    failed.sort_unstable();
    let saved = match done.saved {
        Some(saved) => saved,
        None => guarded(|| Ok(done.doc.save()))?,
    };
    Ok(Applied { saved, failed })
}

/// A document that is known to load, with its bytes if they are at hand.
struct Kept {
    doc: Automerge,
    saved: Option<Vec<u8>>,
}

fn apply_some(base: Kept, changes: &[(usize, &DocChange)], failed: &mut Vec<usize>) -> Kept {
    if changes.is_empty() {
        return base;
    }
    match try_batch(&base.doc, changes) {
        Ok(done) => done,
        Err(_) if changes.len() == 1 => {
            failed.push(changes[0].0);
            base
        }
        Err(_) => {
            let (left, right) = changes.split_at(changes.len() / 2);
            let half = apply_some(base, left, failed);
            apply_some(half, right, failed)
        }
    }
}

fn try_batch(base: &Automerge, changes: &[(usize, &DocChange)]) -> Result<Kept, DocError> {
    guarded(|| {
        let mut copy = base.clone();
        let built: Vec<Change> = changes.iter().map(|(_, c)| build(c)).collect();
        copy.apply_changes(built).map_err(|_| DocError::Apply)?;
        let saved = copy.save();
        let again = Automerge::load(&saved).map_err(|_| DocError::Apply)?;
        let written = |doc: &Automerge| {
            changes.iter().flat_map(|(_, c)| &c.puts).all(
                |(k, v)| matches!(doc.get(ROOT, k.as_str()), Ok(Some((value, _))) if value.as_bytes() == Some(v)),
            )
        };
        let same = again.get_heads() == copy.get_heads() && again.length(ROOT) == copy.length(ROOT);
        if same && written(&again) {
            Ok(Kept { doc: again, saved: Some(saved) })
        } else {
            Err(DocError::Apply)
        }
    })
}

/// A root change: no dependencies, first of its own actor. So no entry waits for another one's change.
fn build(change: &DocChange) -> Change {
    let op = |(key, value): (&String, &Vec<u8>)| AmOp {
        action: OpType::Put(ScalarValue::Bytes(value.clone())),
        obj: ObjectId::Root,
        key: Key::Map(key.as_str().into()),
        pred: Vec::new().into(),
        insert: false,
    };
    Change::from(ExpandedChange {
        operations: change.puts.iter().map(op).collect(),
        actor_id: ActorId::from(change.actor.as_slice()),
        hash: None,
        seq: 1,
        start_op: NonZeroU64::MIN,
        time: 0,
        message: None,
        deps: Vec::new(),
        extra_bytes: Vec::new(),
        author: None,
    })
}

fn load(saved: &[u8]) -> Result<Automerge, DocError> {
    guarded(|| Automerge::load(saved).map_err(|_| DocError::Damaged))
}

/// automerge panics on some input (docs/decisions); a panic here loses only the copy being worked on.
fn guarded<T>(work: impl FnOnce() -> Result<T, DocError>) -> Result<T, DocError> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or(Err(DocError::Damaged))
}

/// The survey document's writes, out of its parts: each holds the changes of some entries, and as every key is written
/// once, it makes no difference which.
pub fn read_survey<P: AsRef<[u8]>>(parts: &[P], limits: &Limits) -> Result<SurveyWrites, DocError> {
    let mut all = Vec::new();
    for part in parts {
        all.append(&mut root(part.as_ref())?);
    }
    all.sort_unstable();
    all.dedup();
    let mut out = SurveyWrites::default();
    for (key, value) in all {
        let said: Said<Op> = decode(&value, limits.entry * 2).map_err(|_| DocError::Damaged)?;
        let n: WriteRef = key.rsplit('/').next().and_then(|n| n.parse().ok()).ok_or(DocError::Damaged)?;
        match said.what {
            Op::Leg(claim) => {
                let Said { device, claimed, .. } = said;
                out.claims.entry(claim.leg()).or_default().push(Said { device, claimed, what: claim });
            }
            _ => {
                out.said.insert(n, said);
            }
        }
    }
    Ok(out)
}

/// A tile document's strips by leg.
pub fn read_tile(saved: &[u8], limits: &Limits) -> Result<BTreeMap<LegId, StripRef>, DocError> {
    let strips = root(saved)?
        .into_iter()
        .filter_map(|(key, value)| Some((key.strip_prefix("strip/")?.to_owned(), value)));
    strips
        .map(|(leg, value)| {
            let leg = leg.parse().map_err(|_| DocError::Damaged)?;
            Ok((leg, decode(&value, limits.entry).map_err(|_| DocError::Damaged)?))
        })
        .collect()
}

/// All root values; keys are written once, so there is one value a key (or several equal ones).
fn root(saved: &[u8]) -> Result<Vec<(String, Vec<u8>)>, DocError> {
    let doc = load(saved)?;
    guarded(|| {
        doc.map_range(ROOT, ..)
            .map(|item| match item.value {
                ValueRef::Scalar(v) => match ScalarValue::from(v) {
                    ScalarValue::Bytes(b) => Ok((item.key.into_owned(), b)),
                    _ => Err(DocError::Damaged),
                },
                ValueRef::Object(_) => Err(DocError::Damaged),
            })
            .collect()
    })
}
