//! What a fuzzer does with bytes: one function for each door that bytes from outside come in by. A panic is a finding;
//! so is an assertion here. Included by the targets of cargo-fuzz beside this file, and by `tests/all/hostile`, which
//! runs them on stable Rust with files of the right kind and mutations of them.

use leadline_ingest::gauge::{self, GaugeOptions};
use leadline_ingest::{Importer, Leg, Options, Report};
use leadline_logbook::{
    Crew, DeviceKey, Entry, Have, Held, Limits, Place, decode, encode, entry_id, peek, strip_digest, take_in,
    unpack, unpack_strip,
};
use leadline_model::{DeviceId, EntryId, SurveyId, Text, UtcMillis};
use leadline_sync::{
    Admission, Answer, Binding, Config, Deframer, DeskError, Holdings, Input, Meeting, Output, ParcelHeader,
    ParcelReader, ParcelTerms, Question, Stored, Wants,
};

/// The survey that entries and meetings here belong to.
pub(crate) const SURVEY: SurveyId = SurveyId([0x5a; 16]);

/// One target.
pub(crate) type Target = fn(&[u8]);

/// All, by name.
pub(crate) const ALL: [(&str, Target); 8] = [
    ("logs", logs),
    ("levels", levels),
    ("codec", codec),
    ("entries", entries),
    ("strips", strips),
    ("parcels", parcels),
    ("frames", frames),
    ("have_lists", have_lists),
];

/// A log of any kind, in one piece and in two: the same is read, and every line is accounted for.
pub(crate) fn logs(data: &[u8]) {
    let whole = read_log(&[data]);
    let (a, b) = data.split_at(data.len() / 3);
    let cut = read_log(&[a, b]);
    assert_eq!(whole, cut, "what is read depends on where the chunks are cut");
    assert_eq!(whole.1.bytes, data.len() as u64);
}

fn read_log(chunks: &[&[u8]]) -> (Vec<Leg>, Report) {
    let mut legs = Vec::new();
    let assumed_date = Some(UtcMillis(1_777_593_600_000));
    let mut importer = Importer::new(Options { assumed_date });
    chunks.iter().for_each(|c| importer.push(c, &mut legs));
    let report = importer.finish(&mut legs);
    (legs, report)
}

/// A file of water levels.
pub(crate) fn levels(data: &[u8]) {
    drop(gauge::read(data, &GaugeOptions::default()));
}

/// The codec and the packing below everything else. What has been decoded comes through the codec unchanged; its bytes
/// may differ, since blanks around a text are taken off when it is read.
pub(crate) fn codec(data: &[u8]) {
    let limit = Limits::default().frame;
    through::<ParcelHeader>(data);
    through::<ParcelTerms>(data);
    through::<Text>(data);
    if let Ok(name) = decode::<Text>(data, limit) {
        assert!(name.as_str().len() <= 256, "a text over its bound");
    }
    if let Ok(plain) = unpack(data, limit) {
        assert!(plain.len() <= limit, "unpacked over its bound");
    }
}

fn through<T: serde::Serialize + serde::de::DeserializeOwned + PartialEq + std::fmt::Debug>(data: &[u8]) {
    let limit = Limits::default().frame;
    let Ok(value) = decode::<T>(data, limit) else { return };
    let bytes = encode(&value, limit).expect("no longer than it was");
    assert_eq!(decode::<T>(&bytes, limit).as_ref(), Ok(&value));
}

struct NothingHeld;

impl Held for NothingHeld {
    fn holds(&self, _: &EntryId) -> bool {
        false
    }

    fn siblings(&self, _: &Place) -> usize {
        0
    }

    fn place(&self, _: &EntryId) -> Option<Place> {
        None
    }
}

/// One entry, as it came, and signed anew by a member: structure is reached although nobody can forge signatures.
pub(crate) fn entries(data: &[u8]) {
    let limits = Limits::default();
    let member = DeviceKey::from_seed(&[1; 32]);
    let mut crew = Crew::new(SURVEY, member.id());
    let taken = take_in(vec![data.to_vec()], &SURVEY, &mut crew, &NothingHeld, &limits);
    let all =
        taken.accepted.len() + taken.masked.len() + taken.known + taken.waiting.len() + taken.refused.len();
    assert_eq!(all, 1, "an entry is taken or refused, and not lost");
    let signed = resigned(data, &member);
    if let Ok(entry) = Entry::open(&signed, &SURVEY, |_| true, &limits) {
        assert_eq!(entry.bytes(), signed);
        assert_eq!(entry_id(&signed), Some(entry.id()));
        assert_eq!(peek(&signed, &limits).as_ref(), Ok(entry.envelope()));
        assert!(entry.ops().len() <= limits.writes);
    }
}

/// The last 64 bytes become the member's signature, its id takes the device's place.
fn resigned(data: &[u8], member: &DeviceKey) -> Vec<u8> {
    let mut bytes = data.to_vec();
    let device: DeviceId = member.id();
    // Where the envelope names the survey and the device (docs/format.md).
    if let Some(place) = bytes.get_mut(1..17) {
        place.copy_from_slice(&SURVEY.0);
    }
    if let Some(place) = bytes.get_mut(17..49) {
        place.copy_from_slice(&device.0);
    }
    let end = bytes.len().saturating_sub(64);
    bytes.truncate(end);
    let signature = member.sign(leadline_logbook::Signs::Entry, &[&bytes]);
    bytes.extend_from_slice(&signature);
    bytes
}

/// One packed strip, as it came, and as columns that are packed here.
pub(crate) fn strips(data: &[u8]) {
    let limits = Limits::default();
    one_strip(data, &limits);
    if let Ok(packed) = leadline_logbook::pack(data) {
        one_strip(&packed, &limits);
    }
}

fn one_strip(packed: &[u8], limits: &Limits) {
    let Ok(digest) = strip_digest(packed, limits) else { return };
    let (tile, soundings) = unpack_strip(packed, &digest, limits).expect("it has just been read");
    assert!(!soundings.is_empty() && soundings.len() <= limits.strip_soundings);
    let columns = leadline_logbook::canonical(tile, &soundings);
    assert!(!columns.is_empty(), "what was read can be written");
}

/// A parcel, in pieces as a file is read.
pub(crate) fn parcels(data: &[u8]) {
    let whole = read_parcel(data, usize::MAX);
    let pieces = read_parcel(data, 1000);
    assert_eq!(whole, pieces, "what is read depends on where the pieces are cut");
}

fn read_parcel(data: &[u8], piece: usize) -> (usize, Option<(u64, u64, u64)>) {
    let mut reader = ParcelReader::new(None, Limits::default());
    let mut events = 0;
    for part in data.chunks(piece) {
        match reader.push(part) {
            Ok(came) => events += came.len(),
            Err(_) => return (events, None),
        }
    }
    let end = reader.finish().ok();
    if let Some(e) = &end {
        assert!(e.whole + e.torn <= data.len() as u64);
    }
    (events, end.map(|e| (e.entries, e.strips, e.damaged)))
}

/// What a peer that has the secret sends: the first byte says whether it begins as an honest one would.
pub(crate) fn frames(data: &[u8]) {
    let Some((&begins, stream)) = data.split_first() else { return };
    let mut meeting = Meeting::new(config(1, 2), holdings(), 0);
    turn(&mut meeting);
    if begins & 1 == 1 {
        let mut honest = Meeting::new(config(2, 1), holdings(), 0);
        if let Some(Output::Send(hello)) = honest.poll() {
            meeting.handle(Input::Frame(hello));
            turn(&mut meeting);
        }
    }
    let mut deframer = Deframer::new(Limits::default().frame);
    let mut now = 0;
    for piece in stream.chunks(4096) {
        deframer.push(piece);
        while let Ok(Some(frame)) = deframer.frame() {
            meeting.handle(Input::Frame(frame));
            turn(&mut meeting);
        }
        now += 100;
        meeting.handle(Input::Tick(now));
        turn(&mut meeting);
    }
    meeting.handle(Input::LinkLost);
    turn(&mut meeting);
    assert!(meeting.is_over(), "a meeting without a link goes on");
}

fn config(mine: u8, theirs: u8) -> Config {
    let binding = Binding { mine: vec![mine; 38], theirs: vec![theirs; 38] };
    let key = DeviceKey::from_seed(&[mine; 32]);
    let name = Text::new("a device").expect("short");
    Config { wants: Wants::Everything, stay: true, ..Config::new(SURVEY, &key, name, binding) }
}

fn holdings() -> Holdings {
    Holdings { digest: leadline_model::Digest([3; 32]), missing_strips: 1, entries: 1 }
}

/// Answers as a store would that holds one entry and takes anything. Bounded, so that an endless talk is a finding.
fn turn(meeting: &mut Meeting) {
    for _ in 0..100_000 {
        let Some(output) = meeting.poll() else { return };
        if let Output::Ask(lane, question) = output {
            meeting.handle(Input::Answer(lane, answer(question)));
        }
    }
    panic!("a meeting talks without end");
}

fn answer(question: Question) -> Result<Answer, DeskError> {
    Ok(match question {
        Question::Admit { .. } | Question::Introduce { .. } => Answer::Admitted(Admission::Member),
        Question::Credentials => Answer::Items(Vec::new()),
        Question::Have => Answer::Have(Have::default()),
        Question::Missing(_) => Answer::Missing(vec![EntryId([7; 32])]),
        Question::Entries { ids, .. } => {
            Answer::Items(ids.iter().take(8).map(|_| Some(vec![9; 300])).collect())
        }
        Question::Strips { keys, .. } => Answer::Items(keys.iter().take(8).map(|_| None).collect()),
        Question::Store { entries, strips, .. } => Answer::Stored(Stored {
            entries: entries.len() as u32,
            strips: strips.len() as u32,
            ..Stored::default()
        }),
        Question::WantedStrips { after: None, .. } => {
            Answer::Wanted(vec![leadline_model::StripDigest([8; 32])])
        }
        Question::WantedStrips { .. } | Question::WantedAgain { .. } => Answer::Wanted(Vec::new()),
        Question::Holdings => Answer::Holdings(holdings()),
        Question::News { after, .. } => Answer::News { ids: Vec::new(), upto: after },
        Question::Held(_) => Answer::Held(Vec::new()),
        Question::Secret(_) => Answer::Noted,
        other => return Err(DeskError::new(format!("unexpected {other:?}"))),
    })
}

/// A have-list: within its bounds it can be compared with what is held, in bounded time.
pub(crate) fn have_lists(data: &[u8]) {
    let limits = Limits::default();
    let Ok(have) = decode::<Have>(data, limits.frame) else { return };
    assert_eq!(encode(&have, limits.frame).as_deref(), Ok(data));
    if !have.is_bounded(&limits) {
        return;
    }
    let held: Vec<Place> = have
        .0
        .iter()
        .take(4)
        .map(|l| Place { device: l.device, epoch: l.epoch, seq: l.top, id: l.top_id, prev: EntryId([0; 32]) })
        .collect();
    assert!(have.missing_of(&held).len() <= held.len());
}
