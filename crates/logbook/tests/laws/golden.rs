//! Bytes that may never change. They stand in docs/format.md, and are read from there: page and program cannot part.

use crate::world::{NOW, Pen, setup};
use leadline_logbook::{
    Entry, Envelope, Limits, PackedLeg, Signs, canonical, changes_of, entry_id, strip_digest, unpack_strip,
    verify,
};
use leadline_model::{
    DepthFrom, EntryId, Epoch, FixClass, Flags, GridPos, Nonce, Sounding, SurveyId, TileId, UtcMillis,
};

const PAGE: &str = include_str!("../../../../docs/format.md");

/// The code block after the line that begins with `name`, without its comments and blanks.
fn block(name: &str) -> String {
    let after = PAGE.split(&format!("\n{name}")).nth(1).unwrap_or_else(|| panic!("the page has no {name}"));
    let code = after.split("```").nth(1).expect("a code block follows");
    code.lines().skip(1).flat_map(|l| l.split('#').next()).flat_map(str::split_whitespace).collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn unhex(text: &str) -> Vec<u8> {
    (0..text.len()).step_by(2).map(|i| u8::from_str_radix(&text[i..i + 2], 16).expect("hex")).collect()
}

/// One whole entry of fixed key, nonce and place: the envelope's layout is frozen for ever, the body's with version 1.
#[test]
fn an_entry() {
    let pen = Pen::new(7, 1);
    let place = (pen.id(), Epoch([2; 8]), 258);
    let envelope = Envelope::new(SurveyId([1; 16]), place, EntryId([3; 32]), Nonce([4; 16]), NOW);
    let entry =
        Entry::sign(&pen.key, envelope, vec![setup("Coot", -5, vec![])], &Limits::default()).expect("sound");
    assert_eq!(block("Example entry"), hex(entry.bytes()));
    assert_eq!(block("Its id"), entry.id().to_string());
    // And the other way: what stands there opens.
    let bytes = unhex(&block("Example entry"));
    let opened = Entry::open(&bytes, &SurveyId([1; 16]), |_| true, &Limits::default());
    assert_eq!(opened.as_ref(), Ok(&entry));
    assert_eq!(entry_id(&bytes), Some(entry.id()));
    let signature = bytes.last_chunk().expect("64 bytes");
    assert!(verify(&pen.id(), Signs::Entry, &[&bytes[..bytes.len() - 64]], signature));
    let keys = format!("{:?}", changes_of(&entry, &Limits::default()));
    let (write, _) = entry.writes().next().expect("one");
    assert!(keys.contains(&format!("\"setup/Coot/{write}\"")), "{keys}");
    assert_eq!(block("Its document key"), format!("setup/Coot/{write}"));
}

fn three() -> (TileId, Vec<Sounding>) {
    let tile = TileId::new(1, 2).expect("tile");
    let first = Sounding {
        time: UtcMillis(1_788_000_000_300),
        at: GridPos::in_tile(tile, 10, 20),
        depth_mm: 2400,
        from: DepthFrom::Transducer,
        offset_mm: Some(-1),
        speed_mm_s: Some(3),
        hdop_centi: None,
        fix: FixClass::Autonomous,
        sats: Some(9),
        temp_centi: None,
        flags: Flags(2),
    };
    let second =
        Sounding { time: UtcMillis(first.time.0 + 1000), at: GridPos::in_tile(tile, 200, 21), ..first };
    let third = Sounding {
        time: UtcMillis(first.time.0 + 2000),
        at: GridPos::in_tile(tile, 390, 20),
        depth_mm: 2600,
        sats: Some(8),
        ..second
    };
    (tile, vec![first, second, third])
}

#[test]
fn a_strip_and_its_leg() {
    let limits = Limits::default();
    let (tile, soundings) = three();
    let leg =
        PackedLeg::of(soundings[0].time.leg_window(), soundings.clone(), &limits).expect("packs").remove(0);
    let strip = &leg.strips[0];
    assert_eq!(block("Example columns"), hex(&canonical(tile, &soundings)));
    assert_eq!(block("Their digest"), strip.digest.to_string());
    assert_eq!(block("Example strip"), hex(&strip.packed));
    assert_eq!(block("Its leg"), leg.id.to_string());
    let packed = unhex(&block("Example strip"));
    assert_eq!(strip_digest(&packed, &limits), Ok(strip.digest));
    assert_eq!(unpack_strip(&packed, &strip.digest, &limits), Ok((tile, soundings)));
}
