//! docs/protocol.md against the code: each example on the page is decoded, compared, and encoded again.

use crate::frame::{Done, Frame, Hello, Invite, unpack_entries};
use crate::items::Items;
use crate::parcel::{IndexRow, ParcelHeader, ParcelHolds, ParcelPart, ParcelSeal, ParcelTerms, kind};
use crate::{Deframer, PARCEL_MAGIC, PARCEL_VERSION, Part, StripKey, SurveySecret, TileArea, framed};
use leadline_logbook::{Have, Limits, LogHave, decode, encode};
use leadline_model::{DeviceId, Digest, EntryId, Epoch, Nonce, SurveyId, Text, TileId, UtcMillis};

const PAGE: &str = include_str!("../../../docs/protocol.md");

/// The bytes of the example `name`: a fenced block whose lines are hex, two blanks, words.
fn example(name: &str) -> Vec<u8> {
    let fence = format!("```hex {name}\n");
    let (_, rest) = PAGE.split_once(&fence).unwrap_or_else(|| panic!("the page has no example `{name}`"));
    let (block, _) = rest.split_once("```").expect("the block ends");
    let digits: String = block
        .lines()
        .filter_map(|l| l.split("  ").next())
        .flat_map(str::chars)
        .filter(|c| !c.is_whitespace())
        .collect();
    let byte = |i| u8::from_str_radix(&digits[i..i + 2], 16).expect("hex");
    (0..digits.len()).step_by(2).map(byte).collect()
}

fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}

fn have() -> Have {
    Have(vec![LogHave {
        device: DeviceId([0xd1; 32]),
        epoch: Epoch([0xe0; 8]),
        top: 7,
        top_id: EntryId([0xa7; 32]),
        extra: vec![EntryId([0xa9; 32])],
    }])
}

fn items() -> Items {
    let areas = TileArea::of_quadkey("213").into_iter().collect();
    Items {
        stay: true,
        wants: Some(Part { areas, from: Some(UtcMillis(1_779_900_000_000)), to: None }),
        secret_generation: Some(2),
        clock: Some(UtcMillis(1_780_000_000_000)),
    }
}

fn frames() -> Vec<(&'static str, Frame)> {
    let hello = Hello {
        oldest: 1,
        newest: 1,
        survey: SurveyId([0x5e; 16]),
        device: DeviceId([0xd1; 32]),
        name: text("skiff"),
        proof: vec![0x51; 64],
        invite: Some(Invite { key: [0x1e; 32], signature: vec![0x52; 64] }),
        frame: 1 << 20,
        wants: 2,
        lacks: true,
        digest: Digest([0xd9; 32]),
        more: items().write(),
    };
    vec![
        ("hello", Frame::Hello(Box::new(hello))),
        ("secret", Frame::Secret(SurveySecret { generation: 2, secret: [0x5c; 32] })),
        ("refused", Frame::Refused(1)),
        ("have", Frame::Have(have())),
        ("offer", Frame::Offer(2)),
        ("ack", Frame::Ack(3)),
        ("want", Frame::Want(vec![StripKey([0x71; 16]), StripKey([0x72; 16])])),
        ("strips", Frame::Strips(vec![b"pack".to_vec(), vec![]])),
        ("done", Frame::Done(Done { entries: 2, strips: 1, new: 2, digest: Digest([0xd9; 32]) })),
        ("ping", Frame::Ping),
        ("here", Frame::Here(vec![StripKey([0x71; 16])])),
        ("leave", Frame::Leave),
        ("now", Frame::Now(Digest([0xd9; 32]))),
        ("provisional", Frame::Provisional(b"leg".to_vec())),
        ("ask-credentials", Frame::AskCredentials),
        ("credentials", Frame::Credentials(example("entries")[1..].to_vec())),
    ]
}

#[test]
fn every_frame_of_a_meeting() {
    let limits = Limits::default();
    for (name, frame) in frames() {
        let bytes = example(name);
        assert_eq!(Frame::decode(&bytes, &limits).as_ref(), Ok(&frame), "{name}");
        assert_eq!(frame.encode(limits.frame).expect("small"), bytes, "{name}");
    }
    let Ok(Frame::Hello(hello)) = Frame::decode(&example("hello"), &limits) else {
        panic!("the example is no hello")
    };
    assert_eq!(Items::read(&hello.more), Ok(items()));
    // The compressor may pack differently one day; what it unpacks to may not change.
    let Ok(Frame::Entries(packed)) = Frame::decode(&example("entries"), &limits) else {
        panic!("the example is no entries frame")
    };
    assert_eq!(unpack_entries(&packed, &limits), Ok(vec![b"first".to_vec(), b"second".to_vec()]));
}

#[test]
fn framing() {
    let bytes = example("framing");
    assert_eq!(bytes, framed(&[10]));
    let mut d = Deframer::new(10);
    d.push(&bytes);
    assert_eq!(d.frame(), Ok(Some(vec![10])));
}

#[test]
fn the_frame_that_names_an_adopted_survey() {
    let survey = SurveyId([0x5e; 16]);
    assert_eq!(crate::adopted_of(&example("adopted")), Some(survey));
    assert_eq!(crate::adopted_frame(&survey), example("adopted"));
}

#[test]
fn what_is_signed() {
    let binding = crate::Binding { mine: vec![0x0a; 3], theirs: vec![0x0b; 3] };
    assert_eq!(binding.text(&SurveyId([0x5e; 16])), example("channel"));
}

#[test]
fn every_frame_of_a_parcel() {
    let preamble = [&PARCEL_MAGIC[..], &PARCEL_VERSION.to_le_bytes()].concat();
    assert_eq!(example("parcel-preamble"), preamble);
    let header = ParcelHeader {
        survey: SurveyId([0x5e; 16]),
        name: text("Thornmere"),
        maker: DeviceId([0xd1; 32]),
        maker_name: text("skiff"),
        made: UtcMillis(1_780_000_000_000),
        presupposes: None,
        holds: ParcelHolds {
            entries: 2,
            strips: 1,
            soundings: 600,
            tiles: vec![TileId::try_from((16_384, 10_000)).expect("on the grid")],
            span: Some((UtcMillis(1_779_900_000_000), UtcMillis(1_779_900_600_000))),
        },
    };
    check("parcel-header", kind::HEADER, &header);
    let terms = ParcelTerms {
        gift: true,
        pass_on: false,
        part: Some(ParcelPart { number: 2, of: 5, set: Nonce([0x0e; 16]) }),
        area: false,
        dates: (Some(UtcMillis(1_779_900_000_000)), None),
    };
    check("parcel-terms", kind::TERMS, &terms);
    check("parcel-index", kind::INDEX, &vec![IndexRow { at: 195, kind: kind::ENTRIES, items: 2 }]);
    let seal = ParcelSeal {
        entries: 2,
        strips: 1,
        index_at: 1000,
        digest: Digest([0xd9; 32]),
        signature: vec![0x53; 64],
    };
    check("parcel-seal", kind::SEAL, &seal);
}

fn check<T>(name: &str, kind: u8, value: &T)
where
    T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug,
{
    let bytes = example(name);
    let mut made = vec![kind];
    made.extend(encode(value, 1 << 20).expect("small"));
    assert_eq!(made, bytes, "{name}");
    assert_eq!(decode::<T>(&bytes[1..], 1 << 20).as_ref(), Ok(value), "{name}");
}
