//! A naive store in memory, and two meetings joined by byte pipes.

use leadline_logbook::{DeviceKey, Domain, Have, Place};
use leadline_model::{DeviceId, Digest, EntryId, Epoch, StripDigest, SurveyId, Text};
use leadline_sync::{
    Admission, Answer, Binding, Config, Deframer, DeskError, Failure, Holdings, Input, Lane, Meeting, Output,
    Question, Stored, Summary, Wants, framed,
};
use std::collections::{BTreeMap, VecDeque};

pub(crate) const SURVEY: SurveyId = SurveyId([0xa5; 16]);
pub(crate) const NO_ENTRY: EntryId = EntryId([0; 32]);

/// A set of entries and a map of strips: what any store must behave like.
#[derive(Clone, Debug, Default)]
pub(crate) struct Store {
    pub(crate) entries: BTreeMap<EntryId, Vec<u8>>,
    pub(crate) strips: BTreeMap<StripDigest, Vec<u8>>,
    pub(crate) admission: Option<Admission>,
    /// What admitted this device; who is shown anything takes the one who shows it for a member.
    pub(crate) credentials: Vec<Vec<u8>>,
    pub(crate) wants: Wants,
    /// Strips that came although they were held already.
    pub(crate) strips_twice: usize,
    /// Entries that came although they were held already.
    pub(crate) entries_twice: usize,
    pub(crate) groups: usize,
    /// Refuse entries that contain this.
    pub(crate) refuse: Option<Vec<u8>>,
    /// Entries that another import adds while the meeting runs.
    pub(crate) arriving: Vec<Vec<u8>>,
    /// Entries in the order in which they came: the news.
    pub(crate) order: Vec<EntryId>,
}

/// One entry: place, strips it names, filler.
pub(crate) fn entry(device: u8, seq: u64, prev: EntryId, strips: &[Vec<u8>], filler: &[u8]) -> Vec<u8> {
    let mut bytes = vec![device];
    bytes.extend(seq.to_le_bytes());
    bytes.extend(prev.0);
    bytes.push(strips.len() as u8);
    strips.iter().for_each(|s| bytes.extend(digest_of(s).0));
    bytes.extend(filler);
    bytes
}

pub(crate) fn id_of(entry: &[u8]) -> EntryId {
    EntryId(Domain::Entry.digest(&[entry]).0)
}

pub(crate) fn digest_of(strip: &[u8]) -> StripDigest {
    StripDigest(Domain::Strip.digest(&[strip]).0)
}

/// Place and strips of an entry; `None` if it is none.
fn read(entry: &[u8]) -> Option<(Place, Vec<StripDigest>)> {
    let (device, rest) = entry.split_first()?;
    let (seq, rest) = rest.split_first_chunk::<8>()?;
    let (prev, rest) = rest.split_first_chunk::<32>()?;
    let (count, rest) = rest.split_first()?;
    let strips = rest.get(..usize::from(*count) * 32)?.chunks(32).filter_map(StripDigest::from_slice);
    let place = Place {
        device: DeviceId([*device; 32]),
        epoch: Epoch([0; 8]),
        seq: u64::from_le_bytes(*seq),
        id: id_of(entry),
        prev: EntryId(*prev),
    };
    Some((place, strips.collect()))
}

impl Store {
    pub(crate) fn add(&mut self, entry: Vec<u8>) {
        self.order.push(id_of(&entry));
        self.entries.insert(id_of(&entry), entry);
    }

    fn news(&self, after: u64, max: usize) -> (Vec<EntryId>, u64) {
        let ids: Vec<_> = match max {
            0 => return (Vec::new(), self.order.len() as u64),
            _ => self.order.iter().skip(after as usize).take(max).copied().collect(),
        };
        let upto = after + ids.len() as u64;
        (ids, upto)
    }

    fn holds(&self, key: &leadline_sync::StripKey) -> bool {
        let (from, to) = key.range();
        self.strips.range(from..=to).next().is_some()
    }

    pub(crate) fn add_strip(&mut self, strip: Vec<u8>) {
        self.strips.insert(digest_of(&strip), strip);
    }

    fn places(&self) -> Vec<Place> {
        self.entries.values().filter_map(|e| read(e)).map(|(p, _)| p).collect()
    }

    pub(crate) fn missing(&self) -> Vec<StripDigest> {
        let mut all: Vec<_> = self.entries.values().filter_map(|e| read(e)).flat_map(|(_, s)| s).collect();
        all.retain(|d| !self.strips.contains_key(d));
        all.sort();
        all.dedup();
        all
    }

    pub(crate) fn holdings(&self) -> Holdings {
        let ids: Vec<&[u8]> = self.entries.keys().map(|id| id.0.as_slice()).collect();
        let missing = if self.wants == Wants::EntriesOnly { 0 } else { self.missing().len() };
        Holdings {
            digest: Domain::Holdings.digest(&ids),
            missing_strips: missing as u32,
            entries: self.entries.len() as u64,
        }
    }

    pub(crate) fn answer(&mut self, question: Question) -> Result<Answer, DeskError> {
        Ok(match question {
            Question::Introduce { entries, .. } if !entries.is_empty() => Answer::Admitted(Admission::Member),
            Question::Admit { .. } | Question::Introduce { .. } => {
                Answer::Admitted(self.admission.unwrap_or(Admission::Member))
            }
            Question::Credentials => Answer::Items(self.credentials.iter().cloned().map(Some).collect()),
            Question::Have => Answer::Have(Have::of(&self.places())),
            Question::Missing(have) => Answer::Missing(have.missing_of(&self.places())),
            Question::Entries { ids, max_bytes } => {
                Answer::Items(fitting(ids.iter().map(|id| self.entries.get(id).cloned()), max_bytes))
            }
            Question::Strips { keys, max_bytes } => {
                let strip = |key: &leadline_sync::StripKey| {
                    let (from, to) = key.range();
                    self.strips.range(from..=to).next().map(|(_, s)| s.clone())
                };
                Answer::Items(fitting(keys.iter().map(strip), max_bytes))
            }
            Question::Store { entries, strips, .. } => Answer::Stored(self.store(entries, strips)),
            Question::WantedStrips { after, max, .. } => {
                let later = self.missing().into_iter().filter(|d| after.is_none_or(|a| *d > a));
                Answer::Wanted(later.take(max).collect())
            }
            Question::WantedAgain { digests, .. } => {
                Answer::Wanted(digests.into_iter().filter(|d| !self.strips.contains_key(d)).collect())
            }
            Question::Held(keys) => Answer::Held(keys.into_iter().filter(|k| self.holds(k)).collect()),
            Question::News { after, max } => {
                let (ids, upto) = self.news(after, max);
                Answer::News { ids, upto }
            }
            Question::Holdings => Answer::Holdings(self.holdings()),
            other => return Err(DeskError::new(format!("unexpected {other:?}"))),
        })
    }

    fn store(&mut self, entries: Vec<Vec<u8>>, strips: Vec<(StripDigest, Vec<u8>)>) -> Stored {
        self.groups += 1;
        let mut stored = Stored::default();
        for e in std::mem::take(&mut self.arriving) {
            self.add(e);
        }
        stored.ids = entries.iter().map(|e| id_of(e)).collect();
        for e in entries {
            let refused = read(&e).is_none()
                || self.refuse.as_ref().is_some_and(|r| e.windows(r.len()).any(|w| w == r.as_slice()));
            if refused {
                *stored.refused.entry("not an entry".into()).or_default() += 1;
            } else if self.entries.contains_key(&id_of(&e)) {
                stored.known += 1;
                self.entries_twice += 1;
            } else {
                self.add(e);
                stored.entries += 1;
            }
        }
        for (digest, strip) in strips {
            if digest_of(&strip) != digest {
                *stored.refused.entry("not that strip".into()).or_default() += 1;
            } else if self.strips.insert(digest, strip).is_some() {
                self.strips_twice += 1;
            } else {
                stored.strips += 1;
            }
        }
        stored
    }
}

fn add(to: &mut (u32, u32), entries: u32, strips: u32) {
    to.0 += entries;
    to.1 += strips;
}

fn fitting(items: impl Iterator<Item = Option<Vec<u8>>>, max_bytes: usize) -> Vec<Option<Vec<u8>>> {
    let (mut out, mut size) = (Vec::new(), 0);
    for item in items {
        size += item.as_ref().map_or(0, Vec::len);
        if !out.is_empty() && size > max_bytes {
            break;
        }
        out.push(item);
    }
    out
}

pub(crate) fn key(n: u8) -> DeviceKey {
    DeviceKey::from_seed(&[n; 32])
}

/// The side of device `n` in a meeting with device `other`.
pub(crate) fn config(n: u8, other: u8, wants: Wants) -> Config {
    let binding = Binding { mine: vec![n; 38], theirs: vec![other; 38] };
    let name = Text::new(&format!("device {n}")).expect("short");
    Config { wants, ..Config::new(SURVEY, &key(n), name, binding) }
}

/// One end: a meeting, its store, and the bytes that are on their way to it.
pub(crate) struct End {
    pub(crate) meeting: Meeting,
    pub(crate) store: Store,
    incoming: VecDeque<u8>,
    deframer: Deframer,
    /// Answers that come a step later than their questions.
    answers: VecDeque<(Lane, Result<Answer, DeskError>)>,
    pub(crate) ended: Option<Result<Summary, Failure>>,
    /// Everything this end has sent.
    pub(crate) sent: Vec<u8>,
    pub(crate) most_unsent: usize,
    /// What it has told while staying on: (entries, strips) given, and taken.
    pub(crate) pushed: (u32, u32),
    pub(crate) taken: (u32, u32),
    pub(crate) in_step: Option<Summary>,
    pub(crate) shown: Vec<Vec<u8>>,
}

impl End {
    pub(crate) fn new(cfg: Config, store: Store) -> Self {
        Self {
            meeting: Meeting::new(cfg, store.holdings(), 0),
            store,
            incoming: VecDeque::new(),
            deframer: Deframer::new(1 << 20),
            answers: VecDeque::new(),
            ended: None,
            sent: Vec::new(),
            most_unsent: 0,
            pushed: (0, 0),
            taken: (0, 0),
            in_step: None,
            shown: Vec::new(),
        }
    }

    /// Acts on all outputs; frames for the other end are returned.
    fn drain(&mut self) -> Vec<Vec<u8>> {
        let mut frames = Vec::new();
        while let Some(output) = self.meeting.poll() {
            match output {
                Output::Send(frame) => frames.push(framed(&frame)),
                Output::Ask(lane, question) => {
                    let answer = self.store.answer(question);
                    self.answers.push_back((lane, answer));
                }
                Output::InStep(summary) => self.in_step = Some(*summary),
                Output::Pushed { entries, strips } => add(&mut self.pushed, entries, strips),
                Output::Taken { entries, strips } => add(&mut self.taken, entries, strips),
                Output::Provisional(bytes) => self.shown.push(bytes),
                Output::Finished(summary) => self.ended = Some(Ok(*summary)),
                Output::Failed(failure) => self.ended = Some(Err(failure)),
                other => panic!("unknown output {other:?}"),
            }
        }
        frames
    }

    /// Time passes with nothing heard.
    pub(crate) fn tick(&mut self, now: u64) {
        self.meeting.handle(Input::Tick(now));
        self.drain();
    }

    /// Takes up to `chunk` bytes from the wire. True if any were there.
    fn read(&mut self, chunk: usize) -> bool {
        let n = chunk.min(self.incoming.len());
        let bytes: Vec<u8> = self.incoming.drain(..n).collect();
        self.deframer.push(&bytes);
        let mut whole = false;
        while let Some(frame) = self.deframer.frame().expect("within the limit") {
            self.meeting.handle(Input::Frame(frame));
            whole = true;
        }
        if n > 0 && !whole {
            self.meeting.handle(Input::Stirring);
        }
        n > 0
    }
}

/// Two ends and what is between them.
pub(crate) struct Pair {
    pub(crate) a: End,
    pub(crate) b: End,
    /// Bytes delivered at a time.
    pub(crate) chunk: usize,
    /// The link ends once so many frames have been put on it.
    pub(crate) cut_after: Option<usize>,
    pub(crate) frames: usize,
    now: u64,
}

impl Pair {
    pub(crate) fn new(a: Store, b: Store) -> Self {
        let (ca, cb) = (config(1, 2, a.wants.clone()), config(2, 1, b.wants.clone()));
        Self { a: End::new(ca, a), b: End::new(cb, b), chunk: usize::MAX, cut_after: None, frames: 0, now: 0 }
    }

    /// Both stay on when all is done.
    pub(crate) fn staying(a: Store, b: Store) -> Self {
        let stay = |n, other, store: &Store| {
            let upto = store.order.len() as u64;
            Config { stay: true, upto, ..config(n, other, store.wants.clone()) }
        };
        let (ca, cb) = (stay(1, 2, &a), stay(2, 1, &b));
        let mut pair = Self::new(Store::default(), Store::default());
        (pair.a, pair.b) = (End::new(ca, a), End::new(cb, b));
        pair
    }

    /// Runs for so many ms by the meetings' clock, or until one has ended.
    pub(crate) fn run_for(&mut self, ms: u64) {
        let until = self.now + ms;
        while self.now < until && self.a.ended.is_none() && self.b.ended.is_none() {
            self.step();
        }
    }

    /// Runs until both have ended.
    pub(crate) fn run(&mut self) {
        for _ in 0..1_000_000 {
            if self.a.ended.is_some() && self.b.ended.is_some() {
                return;
            }
            self.step();
        }
        panic!("the meeting does not end: {:?} {:?}", self.a.meeting, self.b.meeting);
    }

    pub(crate) fn step(&mut self) {
        let (to_b, to_a) = (self.a.drain(), self.b.drain());
        let mut busy = !(to_a.is_empty() && to_b.is_empty());
        for (frames, toward_b) in [(to_b, true), (to_a, false)] {
            for frame in frames {
                let (from, to) =
                    if toward_b { (&mut self.a, &mut self.b) } else { (&mut self.b, &mut self.a) };
                if self.cut_after.is_some_and(|n| self.frames >= n) {
                    from.meeting.handle(Input::LinkLost);
                    continue;
                }
                self.frames += 1;
                from.sent.extend(&frame);
                to.incoming.extend(frame);
            }
        }
        let cut = self.cut_after.is_some_and(|n| self.frames >= n);
        for end in [&mut self.a, &mut self.b] {
            end.most_unsent = end.most_unsent.max(end.incoming.len());
            busy |= end.read(self.chunk);
            if let Some((lane, answer)) = end.answers.pop_front() {
                end.meeting.handle(Input::Answer(lane, answer));
                busy = true;
            }
            if cut && end.incoming.is_empty() {
                end.meeting.handle(Input::LinkLost);
            }
        }
        if !busy {
            self.now += 100;
            self.a.meeting.handle(Input::Tick(self.now));
            self.b.meeting.handle(Input::Tick(self.now));
        }
    }

    pub(crate) fn summaries(&self) -> (Summary, Summary) {
        let of = |e: &End| e.ended.clone().expect("it ended").expect("it finished");
        (of(&self.a), of(&self.b))
    }
}

/// Digest of all that a store holds.
pub(crate) fn content(store: &Store) -> (Digest, Vec<StripDigest>) {
    (store.holdings().digest, store.strips.keys().copied().collect())
}

/// A chain of `n` entries of `device`, each naming one strip of about `size` bytes.
pub(crate) fn chain(device: u8, n: u64, size: usize) -> (Vec<Vec<u8>>, Vec<Vec<u8>>) {
    let mut prev = NO_ENTRY;
    let (mut entries, mut strips) = (Vec::new(), Vec::new());
    for seq in 1..=n {
        let strip = noise(u64::from(device) << 32 | seq, size + (seq as usize * 7) % 50);
        let e = entry(device, seq, prev, std::slice::from_ref(&strip), b"leg of an invented boat");
        prev = id_of(&e);
        entries.push(e);
        strips.push(strip);
    }
    (entries, strips)
}

/// Bytes that do not compress, from a seed (splitmix64).
pub(crate) fn noise(seed: u64, len: usize) -> Vec<u8> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (state ^ state >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ z >> 31).to_le_bytes()
    };
    let mut out = Vec::with_capacity(len + 8);
    while out.len() < len {
        out.extend(next());
    }
    out.truncate(len);
    out
}
