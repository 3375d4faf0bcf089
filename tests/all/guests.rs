//! Adopted surveys in meetings of a crew, and entries that wait: real stores, frames carried in memory.

use leadline_logbook::DeviceKey;
use leadline_model::{Digest, StageReading, SurveyId, Text, UtcMillis};
use leadline_survey::{
    Ground, Home, ParcelRequest, Role, Store, SurveyDesk, add_stage, found_survey, invite, join,
    read_parcels, write_parcels,
};
use leadline_sync::{Answer, Binding, Desk, Failure, Input, Meeting, Output, Question, RefusalCode, Summary};
use std::sync::Arc;
use tempfile::TempDir;

const NOW: UtcMillis = UtcMillis(1_788_000_000_000);

fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}

/// A device in a survey.
struct Boat {
    _dir: TempDir,
    home: Home,
    store: Store,
}

fn founder() -> Boat {
    let dir = tempfile::tempdir().expect("a folder");
    let home = Home::open(Some(dir.path())).expect("opens");
    let id = found_survey(&home, &text("Testmere"), &text("zero"), NOW).expect("founds");
    let store = home.store(&id).expect("opens");
    Boat { _dir: dir, home, store }
}

/// A new home joins by an invite of `by`, which admits it as at a meeting.
fn joined(by: &mut Boat, role: Role, name: &str) -> Boat {
    let dir = tempfile::tempdir().expect("a folder");
    let home = Home::open(Some(dir.path())).expect("opens");
    let store = admitted(by, role, name, &home);
    Boat { _dir: dir, home, store }
}

fn admitted(by: &mut Boat, role: Role, name: &str, home: &Home) -> Store {
    let made = invite(&by.home, &mut by.store, role, 1_000_000, vec![], NOW).expect("invites");
    let store = home.store(&join(home, &made, NOW).expect("joins")).expect("opens");
    let key = DeviceKey::from_seed(&made.one_time).id().0;
    by.store.admit(store.device(), text(name), Some(key), NOW).expect("admits");
    store
}

fn stage(boat: &mut Boat, mm: i32) {
    let at = UtcMillis(NOW.0 + i64::from(mm) * 1000);
    let reading = StageReading { gauge: text("jetty"), at, level_mm: mm };
    assert!(add_stage(&mut boat.store, reading, NOW).expect("writes"));
}

fn ground(store: &Store) -> Ground {
    Ground::of(&store.survey_writes().expect("reads"))
}

/// A crew of two, and a survey of others that the first one has as a gift and its crew has adopted.
struct World {
    one: Boat,
    two: Boat,
    north: Boat,
}

fn world(pass_on: bool) -> World {
    let (mut one, mut north) = (founder(), founder());
    (1..40).for_each(|mm| stage(&mut north, mm));
    let mut two = joined(&mut one, Role::Contributor, "two");
    gift(&north, &one, pass_on);
    adopt(&mut one.store, &north.store.survey());
    give_all(&one, &mut two.store);
    World { one, two, north }
}

fn gift(from: &Boat, to: &Boat, pass_on: bool) {
    let file = to.home.root().join("gift.parcel");
    let request = ParcelRequest { gift: true, keep_to_yourself: !pass_on, ..ParcelRequest::default() };
    write_parcels(&from.home, &from.store, &file, &request, NOW).expect("writes");
    read_parcels(&to.home, None, &[file], None).expect("reads");
}

fn adopt(by: &mut Store, other: &SurveyId) {
    let op = ground(by).adopt_op(*other, text("north")).expect("is new");
    by.append(vec![vec![op]], &[], NOW).expect("writes");
}

fn give_all(from: &Boat, to: &mut Store) {
    let held = from.store.entries_in_force().expect("reads");
    let entries = held.iter().map(|e| e.bytes().to_vec()).collect();
    to.accept_from(Some(from.store.device()), entries, vec![]).expect("accepts");
}

fn crew_desk(boat: &Boat) -> SurveyDesk {
    SurveyDesk::new(&boat.home, boat.store.survey()).expect("a desk")
}

fn carried(boat: &Boat) -> Vec<SurveyId> {
    crew_desk(boat).adopted().expect("reads")
}

fn desk(boat: &Boat, of: &Boat) -> Arc<dyn Desk> {
    crew_desk(boat).adopted_desk(&of.store.survey()).expect("reads").expect("is carried")
}

/// One end of a meeting.
struct End {
    desk: Arc<dyn Desk>,
    meeting: Meeting,
    sent: Vec<Vec<u8>>,
    ended: Option<Result<Summary, Failure>>,
}

impl End {
    fn new(desk: Arc<dyn Desk>, mine: u8, theirs: u8) -> Self {
        let (config, holdings) =
            desk.open(Binding { mine: vec![mine], theirs: vec![theirs] }).expect("opens");
        assert!(config.secret.is_none() && config.invite.is_none());
        Self { desk, meeting: Meeting::new(config, holdings, 0), sent: Vec::new(), ended: None }
    }

    fn drain(&mut self, other: &mut Self, frames: &mut usize) -> bool {
        let mut moved = false;
        while let Some(output) = self.meeting.poll() {
            moved = true;
            match output {
                Output::Send(frame) => {
                    self.sent.push(frame.clone());
                    *frames = frames.saturating_sub(1);
                    other.meeting.handle(if *frames > 0 { Input::Frame(frame) } else { Input::LinkLost });
                }
                Output::Ask(lane, question) => {
                    let answer = self.desk.answer(question);
                    self.meeting.handle(Input::Answer(lane, answer));
                }
                Output::Finished(summary) => self.ended = Some(Ok(*summary)),
                Output::Failed(failure) => self.ended = Some(Err(failure)),
                _ => {}
            }
        }
        moved
    }
}

/// A meeting of two desks; the link goes after so many frames.
fn meet(a: Arc<dyn Desk>, b: Arc<dyn Desk>, mut frames: usize) -> (End, End) {
    let (mut a, mut b) = (End::new(a, 1, 2), End::new(b, 2, 1));
    let (mut now, mut still) = (0, 0);
    while still < 20 && (a.ended.is_none() || b.ended.is_none()) {
        let moved = a.drain(&mut b, &mut frames) | b.drain(&mut a, &mut frames);
        still = if moved { 0 } else { still + 1 };
        now += 100;
        a.meeting.handle(Input::Tick(now));
        b.meeting.handle(Input::Tick(now));
    }
    (a, b)
}

const NEVER: usize = usize::MAX;

fn held(boat: &Boat, of: &Boat) -> Option<Digest> {
    let survey = of.store.survey();
    let there = boat.home.holds(&survey);
    there.then(|| boat.home.store(&survey).expect("opens").holdings_digest().expect("reads"))
}

#[test]
fn a_member_that_lacks_the_adopted_survey_gets_it_as_a_guest() {
    let w = world(true);
    assert_eq!(carried(&w.one), [w.north.store.survey()]);
    let (a, b) = meet(desk(&w.one, &w.north), desk(&w.two, &w.north), NEVER);
    assert!(a.ended.is_some_and(|e| e.is_ok()) && b.ended.is_some_and(|e| e.is_ok()));
    assert_eq!(held(&w.two, &w.north), held(&w.one, &w.north));
    let store = w.two.home.store(&w.north.store.survey()).expect("opens");
    assert!(store.is_guest().expect("reads") && store.may_pass_on().expect("reads"));
    // Again: nothing new, the short meeting.
    let (a, _) = meet(desk(&w.one, &w.north), desk(&w.two, &w.north), NEVER);
    let again = a.ended.expect("ends").expect("well");
    assert!(again.was_equal && again.bytes_sent + again.bytes_received < 600, "{again:?}");
}

fn forget(home: &Home, survey: &SurveyId) {
    let path = home.store(survey).expect("opens").path().to_owned();
    for ending in ["sqlite-wal", "sqlite-shm", "sqlite"] {
        drop(std::fs::remove_file(path.with_extension(ending)));
    }
    assert!(!home.holds(survey));
}

/// From the first frame to the last but one, at every place where the link can go: the next meeting goes on from there.
#[test]
fn a_cut_meeting_goes_on() {
    let w = world(true);
    for frames in 1..14 {
        let survey = w.north.store.survey();
        if w.two.home.holds(&survey) {
            forget(&w.two.home, &survey);
        }
        let desks = || (desk(&w.one, &w.north), desk(&w.two, &w.north));
        let (a, b) = desks();
        meet(a, b, frames);
        let (a, b) = desks();
        let (a, _) = meet(a, b, NEVER);
        assert!(a.ended.is_some_and(|e| e.is_ok()), "cut after {frames} frames");
        assert_eq!(held(&w.two, &w.north), held(&w.one, &w.north), "cut after {frames} frames");
    }
}

#[test]
fn what_is_not_to_be_passed_on_is_not_met_about() {
    let w = world(false);
    assert!(carried(&w.one).is_empty());
    assert!(crew_desk(&w.one).adopted_desk(&w.north.store.survey()).expect("reads").is_none());
    // A desk that was opened before the request came gives nothing either.
    let w = world(true);
    let early = desk(&w.one, &w.north);
    gift(&w.north, &w.one, false);
    let (a, b) = meet(early, desk(&w.two, &w.north), NEVER);
    assert!(a.ended.is_some_and(|e| e.is_err()) && b.ended.is_some_and(|e| e.is_err()));
    assert_eq!(held(&w.two, &w.north), None);
}

/// Who is not of the crew learns what it has named itself, and who refuses it: no have-list, no entry.
#[test]
fn strangers_and_the_dismissed_are_refused() {
    let mut w = world(true);
    let mut their_crew = founder();
    adopt(&mut their_crew.store, &w.north.store.survey());
    w.one.store.dismiss(&w.two.store.device(), text("lost"), NOW).expect("dismisses");
    for other in [&their_crew, &w.two] {
        let (a, b) = meet(desk(&w.one, &w.north), desk(other, &w.north), NEVER);
        let code = match b.ended {
            Some(Err(Failure::RefusedByPeer(code))) => code,
            Some(Err(Failure::RefusedPeer(code))) => code,
            end => panic!("{end:?}"),
        };
        assert!(matches!(code, RefusalCode::Stranger | RefusalCode::Dismissed), "{code:?}");
        let kinds: Vec<u8> = a.sent.iter().map(|f| f[0]).collect();
        assert!(kinds.iter().all(|k| [1, 2, 10, 130, 131].contains(k)), "{kinds:?}");
        let entry = w.north.store.entries_in_force().expect("reads")[0].bytes().to_vec();
        assert!(a.sent.iter().all(|f| !f.windows(32).any(|x| x == &entry[entry.len() - 32..])));
        assert_eq!(held(other, &w.north), None);
    }
}

#[test]
fn a_member_of_the_adopted_survey_gives_only_what_it_has_adopted_itself() {
    let (mut one, mut north) = (founder(), founder());
    stage(&mut north, 1);
    // The same home in both crews, as a person has it.
    let mut both = admitted(&mut one, Role::Contributor, "both", &north.home);
    let (survey, other) = (one.store.survey(), north.store.survey());
    gift(&north, &one, true);
    adopt(&mut one.store, &other);
    give_all(&one, &mut both);
    let carried = || SurveyDesk::new(&north.home, survey).expect("a desk").adopted().expect("reads");
    assert!(carried().is_empty(), "somebody else's word gives nothing away");
    let taken_back = ground(&one.store).unadopt_op(&other).expect("is adopted");
    one.store.append(vec![vec![taken_back]], &[], NOW).expect("writes");
    give_all(&one, &mut both);
    adopt(&mut both, &other);
    assert_eq!(carried(), [other]);
}

/// A member that sends rubbish for a survey that is not here leaves no trace; beside genuine entries it is put aside.
#[test]
fn hostile_bytes_leave_nothing_behind() {
    let w = world(true);
    let (at, from) = (desk(&w.two, &w.north), w.one.store.device());
    let store =
        |entries| Question::Store { from, meeting: 1, entries, strips: Vec::new(), absent: Vec::new() };
    at.answer(store(vec![vec![7; 300], Vec::new()])).expect("answers");
    assert_eq!(held(&w.two, &w.north), None);
    let held_by_one = w.north.store.entries_in_force().expect("reads");
    let mut entries: Vec<_> = held_by_one.iter().map(|e| e.bytes().to_vec()).collect();
    let mut forged = entries[3].clone();
    *forged.last_mut().expect("bytes") ^= 1;
    entries.push(forged);
    let Ok(Answer::Stored(done)) = at.answer(store(entries)) else { panic!("stores") };
    assert_eq!((done.entries as usize, done.refused.len()), (held_by_one.len(), 1));
    assert_eq!(held(&w.two, &w.north), held(&w.one, &w.north));
}
