//! What mutations begin with: good files and frames, made by the program itself.

use crate::home::two_boats;
use leadline_logbook::{Have, Limits, Place, encode, pack, peek, strip_digest};
use leadline_model::SurveyId;
use leadline_sync::{ParcelEvent, ParcelHeader, ParcelReader, framed};
use std::path::Path;

const CORPUS: [&[u8]; 10] = [
    include_bytes!("../../../crates/ingest/tests/corpus/sentences.nmea"),
    include_bytes!("../../../crates/ingest/tests/corpus/named.csv"),
    include_bytes!("../../../crates/ingest/tests/corpus/decimal-comma.csv"),
    include_bytes!("../../../crates/ingest/tests/corpus/points.xyz"),
    include_bytes!("../../../crates/ingest/tests/corpus/bus-log.txt"),
    include_bytes!("../../../crates/ingest/tests/corpus/bus-screen.txt"),
    include_bytes!("../../../crates/ingest/tests/corpus/bus-plain.txt"),
    include_bytes!("../../../crates/ingest/tests/corpus/deltas.json"),
    include_bytes!("../../../crates/ingest/tests/corpus/track.gpx"),
    include_bytes!("../../../crates/ingest/tests/corpus/points.geojson"),
];
const LEVELS: [&[u8]; 2] = [
    include_bytes!("../../../crates/ingest/tests/corpus/gauge.csv"),
    include_bytes!("../../../crates/ingest/tests/corpus/gauge.rdb"),
];

/// One parcel of a small crew, and what is in it.
struct Parcel {
    bytes: Vec<u8>,
    header: ParcelHeader,
    entries: Vec<Vec<u8>>,
    strips: Vec<Vec<u8>>,
}

fn parcel() -> Parcel {
    let (heron, _) = two_boats();
    heron.run(&["parcel", "write", "seed.parcel"]).says(0, &[]);
    let bytes = std::fs::read(heron.file("seed.parcel")).expect("written");
    let mut reader = ParcelReader::new(None, Limits::default());
    let (mut entries, mut strips) = (Vec::new(), Vec::new());
    for event in reader.push(&bytes).expect("a good parcel") {
        match event {
            ParcelEvent::Entries(e) => entries.extend(e),
            ParcelEvent::Strips(s) => strips.extend(s),
            _ => {}
        }
    }
    let header = reader.header().expect("a header").clone();
    assert!(reader.finish().expect("an end").is_whole());
    Parcel { bytes, header, entries, strips }
}

/// The good ones of a target.
pub(super) fn of(target: &str) -> Vec<Vec<u8>> {
    match target {
        "logs" => CORPUS.iter().map(|c| c.to_vec()).collect(),
        "levels" => LEVELS.iter().map(|c| c.to_vec()).collect(),
        "codec" => codec(&parcel()),
        "entries" => entries(parcel()),
        "strips" => strips(parcel()),
        "parcels" => vec![parcel().bytes],
        "frames" => frames(&parcel()),
        "have_lists" => vec![have(&parcel())],
        other => panic!("no seeds for {other}"),
    }
}

/// Writes them as files for another fuzzer.
pub(super) fn write(dir: &Path, seeds: &[Vec<u8>]) {
    std::fs::create_dir_all(dir).expect("a folder");
    for (n, seed) in seeds.iter().enumerate() {
        std::fs::write(dir.join(format!("seed-{n}")), seed).expect("written");
    }
}

fn codec(p: &Parcel) -> Vec<Vec<u8>> {
    let limit = Limits::default().frame;
    vec![
        encode(&p.header, limit).expect("small"),
        encode(&p.header.name, limit).expect("small"),
        pack(&vec![7; 5000]).expect("packs"),
    ]
}

/// Entries as they are signed anew by the target: of its survey.
fn entries(p: Parcel) -> Vec<Vec<u8>> {
    let mut all = p.entries;
    all.iter().for_each(|e| assert!(peek(e, &Limits::default()).is_ok()));
    let moved = all.clone().into_iter().map(|mut e| {
        e[1..17].copy_from_slice(&SurveyId([0x5a; 16]).0);
        e
    });
    all.extend(moved);
    all
}

/// Packed ones, and their columns unpacked: behind the packing lies the layout.
fn strips(p: Parcel) -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for strip in p.strips {
        strip_digest(&strip, &Limits::default()).expect("a good strip");
        if let Ok(columns) = leadline_logbook::unpack(&strip, Limits::default().strip_inflated) {
            all.push(columns);
        }
        all.push(strip);
    }
    all
}

fn have(p: &Parcel) -> Vec<u8> {
    let places: Vec<Place> = p
        .entries
        .iter()
        .map(|e| {
            let at = peek(e, &Limits::default()).expect("an envelope");
            let id = leadline_logbook::entry_id(e).expect("an id");
            Place { device: at.device, epoch: at.epoch, seq: at.seq, id, prev: at.prev }
        })
        .collect();
    encode(&Have::of(&places), Limits::default().frame).expect("small")
}

/// A stream behind an honest beginning: have-list, offer, entries, receipt, wants, strips, done, ping; and later kinds.
fn frames(p: &Parcel) -> Vec<Vec<u8>> {
    let kind = |k: u8, body: &[u8]| framed(&[&[k], body].concat());
    let mut block = Vec::new();
    for e in p.entries.iter().take(4) {
        block.extend((e.len() as u32).to_le_bytes());
        block.extend(e);
    }
    let packed = pack(&block).expect("packs");
    let n = p.entries.len().min(4) as u32;
    let all = [
        kind(3, &have(p)),
        kind(4, &n.to_le_bytes()),
        kind(5, &packed),
        kind(6, &[1, 0, 0, 0]),
        kind(7, &[8; 16]),
        kind(8, &[0; 5]),
        kind(9, &[3; 44]),
        kind(10, &[]),
        kind(11, &[0; 40]),
        kind(12, &packed),
        kind(13, &[0; 20]),
        kind(129, &[5; 60]),
        kind(130, &[]),
        kind(131, &packed),
    ];
    let mut streams: Vec<Vec<u8>> = (1..=all.len()).map(|n| [vec![1], all[..n].concat()].concat()).collect();
    streams.push([vec![0], all.concat()].concat());
    streams
}
