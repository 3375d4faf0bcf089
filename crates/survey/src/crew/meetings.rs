//! The crew in meetings of real desks, every byte of which is looked at.

use super::tests::{Boat, NOW, founder, joined, masked, stage, text};
use crate::{Home, Role, SurveyDesk, rotate_secret};
use leadline_logbook::Have;
use leadline_sync::{Answer, Binding, Desk, Failure, Input, Meeting, Output, Question, RefusalCode, Summary};

struct Side {
    desk: SurveyDesk,
    meeting: Meeting,
    /// All frames sent.
    sent: Vec<Vec<u8>>,
    end: Option<Result<Summary, Failure>>,
    in_step: bool,
}

impl Side {
    fn new(home: &Home, survey: leadline_model::SurveyId, mine: u8, theirs: u8, stays: bool) -> Self {
        let desk = SurveyDesk::new(home, survey).expect("a desk");
        let binding = Binding { mine: vec![mine], theirs: vec![theirs] };
        let (mut config, holdings) = desk.open(binding).expect("opens");
        config.stay = stays;
        Self { desk, meeting: Meeting::new(config, holdings, 0), sent: Vec::new(), end: None, in_step: false }
    }

    /// Everything it wants done; frames go to `other`.
    fn drain(&mut self, other: &mut Self) -> bool {
        let mut moved = false;
        while let Some(output) = self.meeting.poll() {
            moved = true;
            match output {
                Output::Send(frame) => {
                    self.sent.push(frame.clone());
                    other.meeting.handle(Input::Frame(frame));
                }
                Output::Ask(lane, question) => {
                    let answer = self.desk.answer(question);
                    self.meeting.handle(Input::Answer(lane, answer));
                }
                Output::InStep(_) => self.in_step = true,
                Output::Finished(summary) => self.end = Some(Ok(*summary)),
                Output::Failed(failure) => self.end = Some(Err(failure)),
                _ => {}
            }
        }
        moved
    }
}

/// Lets both run until nothing moves for two seconds of theirs.
fn run(a: &mut Side, b: &mut Side, now: &mut u64) {
    let mut still = 0;
    while still < 20 {
        let moved = a.drain(b) | b.drain(a);
        still = if moved { 0 } else { still + 1 };
        *now += 100;
        a.meeting.handle(Input::Tick(*now));
        b.meeting.handle(Input::Tick(*now));
    }
}

fn meet(a: &Boat, b: &Boat) -> (Side, Side) {
    let survey = a.store.survey();
    let (mut x, mut y) = (Side::new(&a.home, survey, 1, 2, false), Side::new(&b.home, survey, 2, 1, false));
    run(&mut x, &mut y, &mut 0);
    (x, y)
}

fn ends_well(side: &Side) -> Summary {
    side.end.clone().expect("has ended").expect("well")
}

/// Whoever comes new has heard of nobody: what the others wrote would wait until their admission comes, and of what waits
/// little is kept.
#[test]
fn who_belongs_is_given_before_what_they_wrote() {
    let mut one = founder();
    let mut all: Vec<Boat> = ["two", "three", "four"].map(|n| joined(&mut one, Role::Keeper, n)).into();
    for (boat, mm) in all.iter_mut().zip(300..) {
        meet(&one, boat);
        stage(boat, mm).expect("a member writes");
        meet(&one, boat);
    }
    let desk = SurveyDesk::new(&one.home, one.store.survey()).expect("a desk");
    let Ok(Answer::Missing(ids)) = desk.answer(Question::Missing(Have::default())) else { panic!("no list") };
    let of_crew = one.store.crew_ids().expect("read");
    let (first, then) = ids.split_at(of_crew.len());
    assert!(first.iter().all(|id| of_crew.contains(id)) && then.len() >= 3, "{first:?} {then:?}");
}

const HELLO: u8 = 1;
const REFUSED: u8 = 2;
const SECRET: u8 = 14;

#[test]
fn a_dismissed_device_gets_a_refusal_and_no_byte_of_the_survey() {
    let mut one = founder();
    let two = joined(&mut one, Role::Keeper, "two");
    let (x, _) = meet(&one, &two);
    assert!(ends_well(&x).same_entries);
    one.store.dismiss(&two.store.device(), text("lost at the ramp"), NOW).expect("dismisses");
    rotate_secret(&one.home, &mut one.store, NOW).expect("changes");
    stage(&mut one, 7).expect("writes");
    let (x, y) = meet(&one, &two);
    assert_eq!(x.end, Some(Err(Failure::RefusedPeer(RefusalCode::Dismissed))));
    assert_eq!(y.end, Some(Err(Failure::RefusedByPeer(RefusalCode::Dismissed))));
    let kinds: Vec<u8> = x.sent.iter().map(|f| f[0]).collect();
    assert_eq!(kinds, [HELLO, REFUSED]);
    let sent = x.sent.concat();
    let secret = one.home.secret(&one.store.survey()).expect("reads");
    let has = |what: &[u8]| sent.windows(what.len()).any(|w| w == what);
    assert!(!has(b"Testmere") && !has(b"lost") && !has(&secret));
    for e in one.store.entries_in_force().expect("reads") {
        assert!(!has(&e.id().0) && !has(&e.bytes()[121..]));
    }
}

#[test]
fn a_changed_secret_goes_to_who_was_away_and_on_from_there() {
    let mut one = founder();
    let (two, three) = (joined(&mut one, Role::Keeper, "two"), joined(&mut one, Role::Reader, "three"));
    meet(&one, &two);
    meet(&one, &three);
    let id = one.store.survey();
    for _ in 0..2 {
        rotate_secret(&one.home, &mut one.store, NOW).expect("changes");
    }
    let newest = one.home.secret(&id).expect("reads");
    let (x, y) = meet(&one, &two);
    assert!(ends_well(&x).same_entries && ends_well(&y).same_entries);
    assert_eq!(
        (x.sent.iter().filter(|f| f[0] == SECRET).count(), y.sent.iter().filter(|f| f[0] == SECRET).count()),
        (1, 0)
    );
    assert_eq!(two.home.secret(&id).expect("reads"), newest);
    // The next meeting is the short one again.
    let (x, _) = meet(&one, &two);
    assert!(ends_well(&x).was_equal);
    // By a parcel the third holds all entries, and by them knows of the change, but not the secret.
    let mut three = three;
    let entries = one.store.entries_in_force().expect("reads").iter().map(|e| e.bytes().to_vec()).collect();
    three.store.accept(entries, vec![]).expect("accepts");
    let (x, y) = meet(&two, &three);
    assert!(ends_well(&x).same_entries && ends_well(&y).same_entries);
    assert_eq!(three.home.secret(&id).expect("reads"), newest);
    let log = format!("{x:?}", x = y.meeting);
    assert!(!log.contains(&format!("{newest:?}")));
}

#[test]
fn two_changes_at_once_end_with_one_secret() {
    let mut one = founder();
    let mut two = joined(&mut one, Role::Keeper, "two");
    meet(&one, &two);
    rotate_secret(&one.home, &mut one.store, NOW).expect("changes");
    rotate_secret(&two.home, &mut two.store, NOW).expect("changes");
    let id = one.store.survey();
    for _ in 0..2 {
        meet(&one, &two);
    }
    let of = |b: &Boat| {
        let (_, digest) = b.store.crew().expect("reads").secret().expect("is changed");
        b.home.secrets(&id).expect("reads").iter().any(|s| super::secret_digest(s) == digest)
    };
    assert!(of(&one) && of(&two));
    let (x, _) = meet(&one, &two);
    assert!(ends_well(&x).was_equal);
}

#[test]
fn a_secret_that_nobody_announced_is_not_kept() {
    let mut one = founder();
    let two = joined(&mut one, Role::Keeper, "two");
    meet(&one, &two);
    let id = one.store.survey();
    let before = two.home.secrets(&id).expect("reads");
    let desk = SurveyDesk::new(&two.home, id).expect("a desk");
    let given = leadline_sync::SurveySecret { generation: 9, secret: [3; 32] };
    desk.answer(Question::Secret(given)).expect("answers");
    assert_eq!(two.home.secrets(&id).expect("reads"), before);
}

#[test]
fn who_is_dismissed_while_both_stay_on_gets_nothing_more() {
    let mut one = founder();
    let two = joined(&mut one, Role::Keeper, "two");
    meet(&one, &two);
    let id = one.store.survey();
    let (mut x, mut y) = (Side::new(&one.home, id, 1, 2, true), Side::new(&two.home, id, 2, 1, true));
    let mut now = 0;
    run(&mut x, &mut y, &mut now);
    assert!(x.in_step && y.in_step && x.end.is_none());
    let before = x.sent.len();
    one.store.dismiss(&two.store.device(), text("lost at the ramp"), NOW).expect("dismisses");
    stage(&mut one, 7).expect("writes");
    x.meeting.handle(Input::Stirred);
    run(&mut x, &mut y, &mut now);
    assert_eq!(x.end, Some(Err(Failure::RefusedPeer(RefusalCode::Dismissed))));
    let kinds: Vec<u8> = x.sent[before..].iter().map(|f| f[0]).filter(|k| *k != 10).collect();
    assert_eq!(kinds, [REFUSED]);
    assert_eq!(masked(&one), 0);
}
