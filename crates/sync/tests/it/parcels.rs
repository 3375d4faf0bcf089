//! Parcels: whole, torn, damaged, foreign.

use crate::model::*;
use leadline_logbook::{Limits, pack};
use leadline_model::{SurveyId, Text, TileId, UtcMillis};
use leadline_sync::{
    ParcelEnd, ParcelError, ParcelEvent, ParcelHeader, ParcelHolds, ParcelPart, ParcelReader, ParcelTerms,
    ParcelWriter,
};

fn header() -> ParcelHeader {
    ParcelHeader {
        survey: SURVEY,
        name: Text::new("Thornmere").expect("short"),
        maker: key(1).id(),
        maker_name: Text::new("skiff").expect("short"),
        made: UtcMillis(1_780_000_000_000),
        presupposes: None,
        holds: ParcelHolds {
            entries: 40,
            strips: 40,
            soundings: 12_345,
            tiles: vec![TileId::try_from((1, 2)).expect("on the grid")],
            span: Some((UtcMillis(1), UtcMillis(2))),
        },
    }
}

fn parcel(entries: &[Vec<u8>], strips: &[Vec<u8>]) -> Vec<u8> {
    let mut w = ParcelWriter::begin(Vec::new(), header(), Limits::default()).expect("a header");
    entries.iter().for_each(|e| w.entry(e).expect("small"));
    strips.iter().for_each(|s| w.strip(s).expect("small"));
    w.finish(&key(1)).expect("a seal").0
}

#[derive(Debug, Default)]
struct Got {
    headers: usize,
    entries: Vec<Vec<u8>>,
    strips: Vec<Vec<u8>>,
    damaged: usize,
}

fn read(bytes: &[u8], chunk: usize) -> Result<(Got, ParcelEnd), ParcelError> {
    let mut reader = ParcelReader::new(Some(SURVEY), Limits::default());
    let mut got = Got::default();
    for piece in bytes.chunks(chunk) {
        for event in reader.push(piece)? {
            match event {
                ParcelEvent::Header(h) => {
                    assert_eq!(*h, header());
                    got.headers += 1;
                }
                ParcelEvent::Entries(e) => got.entries.extend(e),
                ParcelEvent::Strips(s) => got.strips.extend(s),
                ParcelEvent::Damaged { .. } => got.damaged += 1,
                other => panic!("unknown event {other:?}"),
            }
        }
    }
    Ok((got, reader.finish()?))
}

#[test]
fn a_whole_parcel_in_any_chunks() {
    let (entries, strips) = chain(1, 400, 2000);
    let bytes = parcel(&entries, &strips);
    assert_eq!(bytes, parcel(&entries, &strips), "the same input gives the same bytes");
    for chunk in [1, 7, 4096, usize::MAX] {
        let (got, end) = read(&bytes, chunk).expect("a parcel");
        assert_eq!((got.headers, got.damaged), (1, 0));
        assert_eq!((got.entries, got.strips), (entries.clone(), strips.clone()));
        assert!(end.is_whole());
        assert_eq!((end.whole, end.torn), (bytes.len() as u64, 0));
    }
    let payload: usize = strips.iter().map(Vec::len).sum();
    assert!(bytes.len() * 100 < payload * 105 + entries.len() * 40_000);
}

#[test]
fn torn_at_every_byte_it_gives_what_is_whole() {
    let (entries, strips) = chain(1, 40, 60);
    let bytes = parcel(&entries, &strips);
    let (mut before, mut most) = (0, 0);
    for cut in 0..bytes.len() {
        match read(&bytes[..cut], usize::MAX) {
            Ok((got, end)) => {
                assert!(!end.is_whole() && end.sealed.is_none());
                assert_eq!(end.whole + end.torn, cut as u64, "every byte is accounted for");
                assert!(entries.starts_with(&got.entries) && strips.starts_with(&got.strips));
                let now = got.entries.len() + got.strips.len();
                assert!(now >= before);
                before = now;
                most = most.max(now);
            }
            Err(e) => {
                assert!(matches!(e, ParcelError::NotAParcel | ParcelError::Header), "{e}");
                assert_eq!(before, 0, "only the head is indispensable");
            }
        }
    }
    assert_eq!(most, 80);
}

#[test]
fn one_altered_byte_breaks_the_seal_and_little_else() {
    let (entries, strips) = chain(1, 40, 60);
    let bytes = parcel(&entries, &strips);
    let (mut readable, mut total) = (0, 0);
    for at in 0..bytes.len() {
        let mut altered = bytes.clone();
        altered[at] ^= 0x40;
        total += 1;
        if let Ok((_, end)) = read_any(&altered) {
            assert!(!end.is_whole(), "byte {at} of {} was altered unnoticed", bytes.len());
            readable += 1;
        }
    }
    assert!(readable * 10 > total * 8, "{readable} of {total}");
}

fn read_any(bytes: &[u8]) -> Result<(usize, ParcelEnd), ParcelError> {
    let mut reader = ParcelReader::new(None, Limits::default());
    let events = reader.push(bytes)?.len();
    Ok((events, reader.finish()?))
}

#[test]
fn content_in_any_order_and_twice() {
    let (entries, strips) = chain(1, 10, 60);
    let mut w = ParcelWriter::begin(Vec::new(), header(), Limits::default()).expect("a header");
    for (e, s) in entries.iter().zip(&strips).rev() {
        w.strip(s).expect("small");
        w.entry(e).expect("small");
        w.strip(s).expect("small");
    }
    let (bytes, seal) = w.finish(&key(1)).expect("a seal");
    let (got, end) = read(&bytes, 100).expect("a parcel");
    assert_eq!((got.entries.len(), got.strips.len(), got.damaged), (10, 20, 0));
    assert_eq!(end.sealed, Some(seal));
}

#[test]
fn what_is_no_parcel_of_this_survey() {
    let bytes = parcel(&[], &[]);
    let mut other = ParcelReader::new(Some(SurveyId([1; 16])), Limits::default());
    let refusal = other.push(&bytes).expect_err("another survey");
    assert!(refusal.to_string().contains("Thornmere"), "{refusal}");
    assert_eq!(read(b"\x89PNG\r\n\x1a\n....", 3).err(), Some(ParcelError::NotAParcel));
    assert_eq!(read(b"", 3).err(), Some(ParcelError::NotAParcel));
    assert_eq!(read(b"LEADLI", 3).err(), Some(ParcelError::NotAParcel));
    let mut newer = bytes.clone();
    newer[8] = 2;
    assert_eq!(read(&newer, 3).err(), Some(ParcelError::Version(2)));
    assert_eq!(read(&bytes[..10], 3).err(), Some(ParcelError::Header));
    assert!(read(&bytes, 3).expect("an empty parcel").1.is_whole());
}

#[test]
fn a_seal_of_another_key_and_bytes_behind_the_seal() {
    let mut w = ParcelWriter::begin(Vec::new(), header(), Limits::default()).expect("a header");
    w.entry(&chain(1, 1, 9).0[0]).expect("small");
    let (bytes, _) = w.finish(&key(2)).expect("a seal");
    let (got, end) = read(&bytes, 50).expect("a parcel");
    assert_eq!((got.entries.len(), got.damaged, end.sealed), (1, 1, None));

    let mut longer = parcel(&[], &[]);
    longer.extend([1, 0, 0, 0, 7]);
    let (got, end) = read(&longer, 50).expect("a parcel");
    assert_eq!(got.damaged, 1);
    assert!(!end.is_whole());
}

#[test]
fn a_bomb_in_a_parcel_is_one_damaged_frame() {
    let whole = parcel(&[], &[]);
    let head = 10 + 4 + u32::from_le_bytes(*whole[10..].first_chunk().expect("a length")) as usize;
    let mut frame = vec![5];
    frame.extend(pack(&vec![0; 32 << 20]).expect("packs"));
    let mut bytes = whole[..head].to_vec();
    bytes.extend((frame.len() as u32).to_le_bytes());
    bytes.extend(frame);
    bytes.extend(&whole[head..]);
    let (got, end) = read(&bytes, 100).expect("a parcel");
    assert_eq!((got.entries.len(), got.damaged), (0, 2), "the bomb, and the seal that does not fit");
    assert!(!end.is_whole());
    // A length beyond the limit: nothing after it can be found.
    let mut lost = whole[..head].to_vec();
    lost.extend([0xff; 50]);
    let (got, end) = read(&lost, 100).expect("a parcel");
    assert_eq!((got.damaged, end.whole, end.torn), (1, head as u64, 50));
}

#[test]
fn terms_stand_behind_the_header_and_old_readers_may_skip_them() {
    let (entries, _) = chain(1, 3, 10);
    let terms = ParcelTerms {
        gift: true,
        pass_on: false,
        part: Some(ParcelPart { number: 2, of: 5, set: leadline_model::Nonce([7; 16]) }),
        area: true,
        dates: (None, Some(UtcMillis(9))),
    };
    let write = |terms: &ParcelTerms| {
        let mut w =
            ParcelWriter::begin_with(Vec::new(), header(), terms, Limits::default()).expect("a header");
        entries.iter().for_each(|e| w.entry(e).expect("small"));
        w.finish(&key(1)).expect("a seal").0
    };
    let read = |bytes: &[u8]| {
        let mut reader = ParcelReader::new(None, Limits::default());
        reader.push(bytes).expect("a parcel");
        let terms = reader.terms();
        (terms, reader.finish().expect("a parcel"))
    };
    let (came, end) = read(&write(&terms));
    assert!(came == terms && end.is_whole());
    assert_eq!(read(&parcel(&entries, &[])).0, ParcelTerms::default());
    // Part 6 of 5 is no part: the frame is damaged, the rest is good.
    let odd = ParcelTerms {
        part: Some(ParcelPart { number: 6, of: 5, set: leadline_model::Nonce([7; 16]) }),
        ..terms
    };
    let (came, end) = read(&write(&odd));
    assert_eq!((came, end.damaged, end.entries), (ParcelTerms::default(), 1, 3));
    // Kinds from 128 on may be skipped: the terms are one.
    let bytes = write(&terms);
    let at = 10 + 4 + u32::from_le_bytes(*bytes[10..].first_chunk().expect("a length")) as usize;
    assert!(bytes[at + 4] >= 128);
}
