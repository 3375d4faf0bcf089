//! Writing parcels: all parts under temporary names first, then renamed.

use super::ParcelRequest;
use super::choice::{Chosen, Strip, choose};
use super::lock::Sink;
use super::split::{self, Part};
use crate::{Error, Home, Store};
use leadline_model::{Nonce, StripDigest, Text, TileId, UtcMillis};
use leadline_sync::{ParcelHeader, ParcelHolds, ParcelPart, ParcelTerms, ParcelWriteError, ParcelWriter};
use std::collections::BTreeSet;
use std::fs::File;
use std::path::{Path, PathBuf};

/// One file that was written.
#[derive(Clone, Debug)]
pub struct WrittenParcel {
    /// Where.
    pub path: PathBuf,
    /// Its size, bytes.
    pub bytes: u64,
    /// What it says of itself.
    pub header: ParcelHeader,
    /// And of its use.
    pub terms: ParcelTerms,
}

/// Writes everything held of the survey to `path`.
pub fn write_parcel(home: &Home, store: &Store, path: &Path, now: UtcMillis) -> Result<ParcelHeader, Error> {
    let mut written = write_parcels(home, store, path, &ParcelRequest::default(), now)?;
    written.pop().map(|w| w.header).ok_or_else(|| Error::Request("nothing was written".to_owned()))
}

/// Writes what is asked for to `path`; where it is split, to as many files, with the part in their names.
pub fn write_parcels(
    home: &Home,
    store: &Store,
    path: &Path,
    request: &ParcelRequest,
    now: UtcMillis,
) -> Result<Vec<WrittenParcel>, Error> {
    let name = name(store)?;
    if !store.may_pass_on()? {
        return Err(Error::Request(format!(
            "\"{name}\" was given to this device with the request not to pass it on; ask who gave it"
        )));
    }
    let chosen = choose(home, store, request)?;
    let parts = match request.split {
        Some(most) => split::split(store, &chosen, most)?,
        None => split::whole(&chosen),
    };
    let set = Nonce(crate::home::random());
    let of = u32::try_from(parts.len()).unwrap_or(u32::MAX);
    let mut files = Vec::with_capacity(parts.len());
    for (number, part) in (1..).zip(&parts) {
        let place = (of > 1).then_some(ParcelPart { number, of, set });
        let header = ParcelHeader {
            survey: store.survey(),
            name: name.clone(),
            maker: store.device(),
            maker_name: home.device_name()?,
            made: now,
            presupposes: chosen.presupposes.clone(),
            holds: holds(&chosen, part),
        };
        let terms = ParcelTerms {
            gift: request.gift,
            pass_on: !request.keep_to_yourself,
            part: place,
            area: request.area.is_some(),
            dates: (request.from, request.to),
        };
        let path = place.map_or_else(|| path.to_owned(), |p| part_path(path, p));
        let temp = path.with_extension(format!("{}.tmp", std::process::id()));
        files.push((temp, WrittenParcel { path, bytes: 0, header, terms }));
    }
    let done = write_all(home, store, request, (&chosen, &parts), &mut files);
    if done.is_err() {
        files.iter().for_each(|(temp, _)| drop(std::fs::remove_file(temp)));
    }
    done.map(|()| files.into_iter().map(|f| f.1).collect())
}

fn write_all(
    home: &Home,
    store: &Store,
    request: &ParcelRequest,
    (chosen, parts): (&Chosen, &[Part]),
    files: &mut [(PathBuf, WrittenParcel)],
) -> Result<(), Error> {
    for ((temp, file), part) in files.iter_mut().zip(parts) {
        let io = |source| Error::Output { path: temp.clone(), source };
        let sink =
            Sink::new(home, &store.survey(), request.lock.as_ref(), File::create(&*temp).map_err(io)?)?;
        write_part(store, sink, file, (chosen, part)).map_err(|e| match e {
            ParcelWriteError::Io(source) => io(source),
            other => Error::Request(other.to_string()),
        })?;
        file.bytes = std::fs::metadata(&*temp).map_err(io)?.len();
        if request.split.is_some_and(|most| file.bytes > most) {
            return Err(Error::Request(format!(
                "a part came out larger than asked ({} bytes); give more to --split",
                file.bytes
            )));
        }
    }
    for (temp, file) in files {
        std::fs::rename(&*temp, &file.path)
            .and_then(|()| crate::durable::sync_folder_of(&file.path))
            .map_err(|source| Error::Output { path: file.path.clone(), source })?;
    }
    Ok(())
}

fn write_part(
    store: &Store,
    sink: Sink,
    file: &WrittenParcel,
    (chosen, part): (&Chosen, &Part),
) -> Result<(), ParcelWriteError> {
    let failed = |e: Error| ParcelWriteError::Io(std::io::Error::other(e.to_string()));
    let mut writer = if file.terms == ParcelTerms::default() {
        ParcelWriter::begin(sink, file.header.clone(), *store.limits())?
    } else {
        ParcelWriter::begin_with(sink, file.header.clone(), &file.terms, *store.limits())?
    };
    for entry in &chosen.crew {
        writer.entry(entry.bytes())?;
    }
    for unit in part.entries.iter().filter_map(|n| chosen.units.get(*n)) {
        writer.entry(unit.entry.bytes())?;
    }
    let mut digests: Vec<StripDigest> = part.strips.iter().map(|s| s.of.digest).collect();
    // The same content in the same order, however it came.
    digests.sort_unstable();
    for digest in digests {
        if let Some(packed) = store.packed_strip(&digest).map_err(failed)? {
            writer.strip(&packed)?;
        }
    }
    let (sink, _) = writer.finish(store.key())?;
    Ok(sink.finish()?)
}

fn name(store: &Store) -> Result<Text, Error> {
    store.name()?.map(|(name, _)| name).ok_or_else(|| {
        Error::Request(
            "this device has joined but not met the crew yet, so it cannot name the survey in a parcel; meet first, or read a parcel of the crew".to_owned(),
        )
    })
}

fn holds(chosen: &Chosen, part: &Part) -> ParcelHolds {
    let tiles: BTreeSet<TileId> = part.strips.iter().map(|s| s.of.tile).collect();
    let both = |span: Option<(UtcMillis, UtcMillis)>, s: &Strip| {
        Some(span.map_or(s.span, |(a, b)| (a.min(s.span.0), b.max(s.span.1))))
    };
    ParcelHolds {
        entries: (chosen.crew.len() + part.entries.len()) as u64,
        strips: part.strips.len() as u64,
        soundings: part.strips.iter().map(|s| u64::from(s.of.count)).sum(),
        tiles: tiles.into_iter().collect(),
        span: part.strips.iter().fold(None, both),
    }
}

/// `lake.parcel` becomes `lake-2of5.parcel`.
fn part_path(path: &Path, part: ParcelPart) -> PathBuf {
    let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let ending = path.extension().map(|e| format!(".{}", e.to_string_lossy())).unwrap_or_default();
    path.with_file_name(format!("{stem}-{}of{}{ending}", part.number, part.of))
}
