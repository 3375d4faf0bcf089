//! Parcels as files: written under a temporary name, synced, renamed; read in pieces, each group in a transaction.

use crate::store::Accepted;
use crate::{Error, Home, Store};
use leadline_logbook::{Limits, Op};
use leadline_model::{StripDigest, SurveyId, TileId, UtcMillis};
use leadline_sync::{
    ParcelEnd, ParcelError, ParcelEvent, ParcelHeader, ParcelHolds, ParcelReader, ParcelWriteError,
    ParcelWriter,
};
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufWriter, Read};
use std::path::Path;

const CHUNK: usize = 1 << 20;

/// What reading a parcel brought.
#[derive(Clone, Debug)]
pub struct ParcelRead {
    /// What the parcel says of itself.
    pub header: ParcelHeader,
    /// How it ended.
    pub end: ParcelEnd,
    /// What became of its content.
    pub accepted: Accepted,
}

/// Writes everything held of the survey to `path`.
pub fn write_parcel(home: &Home, store: &Store, path: &Path, now: UtcMillis) -> Result<ParcelHeader, Error> {
    let header = header(home, store, now)?;
    let temp = path.with_extension(format!("{}.tmp", std::process::id()));
    let done = write_to(store, &header, &temp).and_then(|()| {
        std::fs::rename(&temp, path).map_err(|source| Error::Output { path: path.to_owned(), source })
    });
    if done.is_err() {
        drop(std::fs::remove_file(&temp));
    }
    done.map(|()| header)
}

fn write_to(store: &Store, header: &ParcelHeader, temp: &Path) -> Result<(), Error> {
    let io = |source| Error::Output { path: temp.to_owned(), source };
    let failed = |e: ParcelWriteError| match e {
        ParcelWriteError::Io(source) => Error::Output { path: temp.to_owned(), source },
        other => Error::Request(other.to_string()),
    };
    let out = BufWriter::with_capacity(CHUNK, File::create(temp).map_err(io)?);
    let mut writer = ParcelWriter::begin(out, header.clone(), *store.limits()).map_err(failed)?;
    for entry in store.entries_in_force()? {
        writer.entry(entry.bytes()).map_err(failed)?;
    }
    for digest in store.strip_digests()? {
        if let Some(packed) = store.packed_strip(&digest)? {
            writer.strip(&packed).map_err(failed)?;
        }
    }
    let (out, _) = writer.finish(store.key()).map_err(failed)?;
    out.into_inner().map_err(|e| io(e.into_error()))?.sync_all().map_err(io)
}

fn header(home: &Home, store: &Store, now: UtcMillis) -> Result<ParcelHeader, Error> {
    let Some((name, _)) = store.name()? else {
        return Err(Error::Request(
            "this device has joined but not met the crew yet, so it cannot name the survey in a parcel; meet first, or read a parcel of the crew".to_owned(),
        ));
    };
    let held: BTreeSet<StripDigest> = store.strip_digests()?.into_iter().collect();
    let entries = store.entries_in_force()?;
    let mut holds =
        ParcelHolds { entries: entries.len() as u64, strips: held.len() as u64, ..ParcelHolds::default() };
    let (mut tiles, mut counted): (BTreeSet<TileId>, BTreeSet<StripDigest>) = Default::default();
    for op in entries.iter().flat_map(|e| e.ops()) {
        let Op::Leg(claim) = op else { continue };
        let start = claim.window.start().0;
        for s in claim.strips.iter().filter(|s| held.contains(&s.digest)) {
            tiles.insert(s.tile);
            if counted.insert(s.digest) {
                holds.soundings += u64::from(s.count);
            }
            let (a, b) = (UtcMillis(start + i64::from(s.first_ms)), UtcMillis(start + i64::from(s.last_ms)));
            holds.span = Some(holds.span.map_or((a, b), |(x, y)| (x.min(a), y.max(b))));
        }
    }
    holds.tiles = tiles.into_iter().collect();
    Ok(ParcelHeader {
        survey: store.survey(),
        name,
        maker: store.device(),
        maker_name: home.device_name()?,
        made: now,
        presupposes: None,
        holds,
    })
}

/// Takes in what is whole in a parcel of this survey.
pub fn read_parcel(store: &mut Store, path: &Path) -> Result<ParcelRead, Error> {
    let (survey, limits) = (store.survey(), *store.limits());
    let mut accepted = Accepted::default();
    // Strips are taken only if an entry names them: entries first, wherever they stand in the file.
    for_each(path, Some(survey), limits, |event| match event {
        ParcelEvent::Entries(entries) => add(&mut accepted, store.accept(entries, Vec::new())?),
        _ => Ok(()),
    })?;
    let (header, end) = for_each(path, Some(survey), limits, |event| match event {
        ParcelEvent::Strips(strips) => add(&mut accepted, store.accept(Vec::new(), strips)?),
        _ => Ok(()),
    })?;
    Ok(ParcelRead { header, end, accepted })
}

/// What a parcel holds, and whether it is whole; nothing is taken in.
pub fn inspect_parcel(path: &Path) -> Result<(ParcelHeader, ParcelEnd), Error> {
    for_each(path, None, Limits::default(), |_| Ok(()))
}

fn for_each(
    path: &Path,
    survey: Option<SurveyId>,
    limits: Limits,
    mut take: impl FnMut(ParcelEvent) -> Result<(), Error>,
) -> Result<(ParcelHeader, ParcelEnd), Error> {
    let unreadable = |source| Error::Unreadable { path: path.to_owned(), source };
    let bad = |e: ParcelError| match e {
        ParcelError::OtherSurvey { found, expected, name } => {
            Error::OtherSurvey { name: name.to_string(), theirs: found, ours: expected }
        }
        e => Error::Parcel { path: path.to_owned(), why: e.to_string() },
    };
    let mut file = File::open(path).map_err(unreadable)?;
    let mut reader = ParcelReader::new(survey, limits);
    let mut header = None;
    let mut chunk = vec![0; CHUNK];
    loop {
        let n = file.read(&mut chunk).map_err(unreadable)?;
        if n == 0 {
            break;
        }
        for event in reader.push(&chunk[..n]).map_err(bad)? {
            take(event)?;
        }
        header = header.or_else(|| reader.header().cloned());
    }
    let end = reader.finish().map_err(bad)?;
    header.map(|h| (h, end)).ok_or_else(|| bad(ParcelError::Header))
}

fn add(sum: &mut Accepted, more: Accepted) -> Result<(), Error> {
    sum.entries += more.entries;
    sum.known += more.known;
    sum.waiting += more.waiting;
    sum.masked += more.masked;
    sum.strips += more.strips;
    sum.refused.extend(more.refused);
    sum.own_returned |= more.own_returned;
    Ok(())
}
