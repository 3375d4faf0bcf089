use super::*;
use leadline_logbook::StripRef;
use leadline_model::{
    BoatLevel, CellId, ClusterLevel, DayLevel, Decision, DeviceId, Layer, LegWindow, LonLat, Nonce,
    Shoreline, StripDigest, TileId,
};

const NOW: UtcMillis = UtcMillis(1_800_000_000_000);

fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}

fn minute(n: i64) -> UtcMillis {
    UtcMillis(NOW.0 + n * 60_000)
}

/// Writes by a device each, in the order of their references.
fn said(ops: Vec<Op>) -> SurveyWrites {
    let mut w = SurveyWrites::default();
    ops.into_iter().for_each(|op| add(&mut w, op));
    w
}

fn add(w: &mut SurveyWrites, what: Op) {
    let i = w.said.len() as u8;
    let n = WriteRef { nonce: Nonce([i; 16]), n: 0 };
    w.said.insert(n, Said { device: DeviceId([i; 32]), claimed: UtcMillis(0), what });
}

/// Somebody who has seen everything states something: what `op` makes of the ground.
fn answer(w: &mut SurveyWrites, op: impl FnOnce(&Ground) -> Option<Op>) -> Ground {
    let op = op(&Ground::of(w)).expect("says something new");
    add(w, op);
    Ground::of(w)
}

#[track_caller]
fn conflicts(g: &Ground, words: &[&str]) {
    assert_eq!(g.conflicts.len(), words.len(), "{:?}", g.conflicts);
    for (c, w) in g.conflicts.iter().zip(words) {
        assert!(c.contains(w), "{c}");
    }
}

fn reading(minutes: i64, level_mm: i32) -> StageReading {
    StageReading { gauge: text("landing"), at: minute(minutes), level_mm }
}

fn typed(minutes: i64, level_mm: i32) -> Op {
    Op::Stage { reading: reading(minutes, level_mm), replaces: vec![] }
}

#[test]
fn a_conflict_is_named_and_read_on_the_safe_side_until_settled() {
    let mut both = said(vec![typed(0, 850), typed(0, 350)]);
    let g = Ground::of(&both);
    assert_eq!(g.stages, [reading(0, 850)]);
    conflicts(&g, &["2 different readings of landing"]);
    let settled = answer(&mut both, |g| g.stage_ops(vec![reading(0, 350)]).pop());
    assert_eq!((&settled.stages[..], settled.conflicts.len()), (&[reading(0, 350)][..], 0));
    assert_eq!(settled.stage_ops(vec![reading(0, 350)]), []);
}

#[test]
fn a_later_statement_keeps_what_it_does_not_say() {
    let base = setup("Heron", Some(300));
    let g = Ground::of(&said(vec![Op::Setup { setup: base.clone(), replaces: vec![] }]));
    let more = Setup { draft_mm: None, sound_speed_mm_s: Some(1_500_000), ..base.clone() };
    let Some(Op::Setup { setup, replaces }) = g.setup_op(more) else { panic!("something new") };
    assert_eq!((setup.draft_mm, setup.sound_speed_mm_s, replaces.len()), (Some(300), Some(1_500_000), 1));
    assert_eq!(g.setup_op(base), None);
}

fn setup(boat: &str, draft_mm: Option<i32>) -> Setup {
    Setup { boat: text(boat), from: NOW, draft_mm, sound_speed_mm_s: None, temp_centi: None, lag_ms: None }
}

fn record(levels: &[(i64, i32)]) -> Vec<(UtcMillis, i32)> {
    levels.iter().map(|(m, l)| (minute(*m), *l)).collect()
}

fn import(w: &mut SurveyWrites, levels: &[(i64, i32)]) -> usize {
    let (ops, new) = Ground::of(w).series_ops(&text("landing"), &text("record.csv"), &record(levels));
    ops.into_iter().for_each(|op| add(w, op));
    new
}

#[test]
fn a_record_is_kept_whole_and_once() {
    let mut w = SurveyWrites::default();
    let long: Vec<(i64, i32)> = (0..9_000).map(|m| (m * 15, (m % 97) as i32)).collect();
    assert_eq!(import(&mut w, &long), 9_000);
    assert_eq!(w.said.len(), 3, "at most 4,000 in a write");
    let g = Ground::of(&w);
    assert_eq!(g.stages, long.iter().map(|(m, l)| reading(*m, *l)).collect::<Vec<_>>());
    conflicts(&g, &[]);
    assert_eq!((import(&mut w, &long), w.said.len()), (0, 3), "the same file again");
    // A longer copy of the record brings only what is new.
    assert_eq!(import(&mut w, &[&long[8_990..], &[(9_000 * 15, 5)]].concat()), 1);
    assert_eq!(Ground::of(&w).stages.len(), 9_001);
}

#[test]
fn a_corrected_record_takes_the_place_of_the_earlier_one() {
    let mut w = SurveyWrites::default();
    import(&mut w, &[(0, 100), (15, 110), (30, 120)]);
    assert_eq!(import(&mut w, &[(15, 90), (30, 120), (45, 130)]), 2);
    let g = Ground::of(&w);
    let levels: Vec<i32> = g.stages.iter().map(|s| s.level_mm).collect();
    assert_eq!(levels, [100, 90, 120, 130]);
    conflicts(&g, &[]);
    // One that differs everywhere leaves nothing of the first.
    assert_eq!(import(&mut w, &[(0, 1), (15, 2), (30, 3), (45, 4)]), 4);
    let g = Ground::of(&w);
    assert_eq!(g.stages.iter().map(|s| s.level_mm).collect::<Vec<_>>(), [1, 2, 3, 4]);
    conflicts(&g, &[]);
}

#[test]
fn a_typed_reading_against_a_record_is_a_conflict_until_a_person_settles_it() {
    for (by_hand, from_record) in [(850, 350), (350, 850)] {
        let mut w = said(vec![typed(15, by_hand), typed(60, 400)]);
        import(&mut w, &[(0, 100), (15, from_record), (30, 120), (60, 400)]);
        let g = Ground::of(&w);
        assert_eq!(g.stages.iter().map(|s| s.level_mm).collect::<Vec<_>>(), [100, 850, 120, 400]);
        conflicts(
            &g,
            &["imported and other readings of landing differ at 2027-01-15T08:15:00Z (0.35 m and 0.85 m)"],
        );
        let before = w.said.len();
        assert_eq!(import(&mut w, &[(15, from_record)]), 0, "the same file says nothing new");
        assert_eq!(w.said.len(), before);
        for op in g.stage_ops(vec![reading(15, 350)]) {
            add(&mut w, op);
        }
        let g = Ground::of(&w);
        assert_eq!(g.stages.iter().map(|s| s.level_mm).collect::<Vec<_>>(), [100, 350, 120, 400]);
        conflicts(&g, &[]);
        assert_eq!(g.stage_ops(vec![reading(15, 350)]), []);
    }
}

fn cast(salinity_centi: u16, temps: &[i16]) -> WaterCast {
    let layer = |(i, t): (usize, &i16)| Layer { depth_mm: i as i32 * 1000, temp_centi: *t };
    WaterCast { at: NOW, salinity_centi, layers: temps.iter().enumerate().map(layer).collect() }
}

#[test]
fn of_two_casts_the_slower_sound_holds() {
    let (warm_fresh, cold_salty) = (cast(0, &[2_000, 1_800]), cast(350, &[900, 800, 700]));
    let water = |c: &WaterCast| Op::Water { cast: c.clone(), replaces: vec![] };
    for order in [[&warm_fresh, &cold_salty], [&cold_salty, &warm_fresh]] {
        let mut w = said(order.map(water).into());
        let g = Ground::of(&w);
        assert_eq!(g.casts, [WaterCast { salinity_centi: 0, ..cold_salty.clone() }]);
        conflicts(&g, &["2 different casts"]);
        let g = answer(&mut w, |g| g.cast_op(warm_fresh.clone()));
        assert_eq!(g.casts, std::slice::from_ref(&warm_fresh));
        conflicts(&g, &[]);
        assert_eq!(g.cast_op(warm_fresh.clone()), None);
    }
    // A cast of salt alone says nothing of the temperature.
    let g = Ground::of(&said(vec![water(&cast(10, &[])), water(&cast(20, &[1_500]))]));
    assert_eq!(g.casts, [cast(10, &[1_500])]);
}

fn at(lon: f64, lat: f64) -> GridPos {
    GridPos::from_lonlat(LonLat { lon, lat }).expect("on the grid")
}

#[test]
fn of_two_zeros_the_higher_holds_and_of_two_rivers_one() {
    let gauge =
        |zero_mm, place| Op::Gauge { gauge: Gauge { name: text("weir"), zero_mm, place }, replaces: vec![] };
    let here = at(7.0, 48.0);
    for ops in [[gauge(120, None), gauge(-40, Some(here))], [gauge(-40, Some(here)), gauge(120, None)]] {
        let mut w = said(ops.into());
        let g = Ground::of(&w);
        assert_eq!(g.gauges, [Gauge { name: text("weir"), zero_mm: 120, place: Some(here) }]);
        conflicts(&g, &["the higher zero is used"]);
        // What is not said stays.
        let g = answer(&mut w, |g| g.gauge_op(&text("weir"), Some(-40), None));
        assert_eq!(g.gauges, [Gauge { name: text("weir"), zero_mm: -40, place: Some(here) }]);
        conflicts(&g, &[]);
        assert_eq!(g.gauge_op(&text("weir"), None, Some(here)), None);
    }
    let lines = [vec![at(7.0, 48.0), at(7.1, 48.0)], vec![at(7.0, 48.0), at(7.2, 48.1), at(7.3, 48.1)]];
    let mut w = said(lines.clone().map(|line| Op::River { line, replaces: vec![] }).into());
    let g = Ground::of(&w);
    assert_eq!(g.river, lines[0]);
    conflicts(&g, &["the one of 2 points by 00000000 is used"]);
    let g = answer(&mut w, |g| g.river_op(lines[1].clone()));
    assert_eq!(g.river, lines[1]);
    conflicts(&g, &[]);
    let g = answer(&mut w, |g| g.river_op(vec![]));
    assert_eq!(g.river, []);
}

#[test]
fn one_shore_holds_until_another_takes_its_place() {
    let ring = |far: f64| vec![at(7.0, 48.0), at(far, 48.0), at(far, 48.1)];
    let shore = |far, stage_mm| Shoreline { stage_mm, rings: vec![ring(far)] };
    let ops = [shore(7.1, 0), shore(7.2, 350)].map(|shore| Op::Shore { shore, replaces: vec![] });
    let mut w = said(ops.into());
    let g = Ground::of(&w);
    assert_eq!(g.shore, Some(shore(7.1, 0)));
    conflicts(&g, &["2 different shorelines: the one of 3 corners by 00000000 is used"]);
    let g = answer(&mut w, |g| g.shore_op(shore(7.2, 350)));
    assert_eq!(g.shore, Some(shore(7.2, 350)));
    conflicts(&g, &[]);
    assert_eq!(g.shore_op(shore(7.2, 350)), None);
    let g = answer(&mut w, |g| g.shore_op(Shoreline::default()));
    assert_eq!(g.shore, None);
    assert_eq!(g.shore_op(Shoreline::default()), None);
}

fn rename(boat: &str, to: &str) -> Op {
    Op::Rename { boat: text(boat), to: text(to), replaces: vec![] }
}

fn claim(w: &mut SurveyWrites, boats: &[&str]) {
    let strip = StripRef {
        tile: TileId::new(3, 4).expect("tile"),
        digest: StripDigest([w.claims.len() as u8; 32]),
        count: 9,
        first_ms: 0,
        last_ms: 8_000,
    };
    let claims = boats.iter().map(|boat| Said {
        device: DeviceId([1; 32]),
        claimed: NOW,
        what: LegClaim {
            boat: text(boat),
            instrument: text("sounder"),
            source: Digest([2; 32]),
            window: LegWindow(NOW.leg_window().0),
            counts: vec![],
            strips: vec![strip],
        },
    });
    let claims: Vec<_> = claims.collect();
    w.claims.insert(claims[0].what.leg(), claims);
}

#[test]
fn names_are_followed_to_their_end_and_given_back() {
    let mut w = said(vec![rename("A", "B"), rename("B", "C")]);
    let g = Ground::of(&w);
    for boat in ["A", "B", "C"] {
        assert_eq!(g.boat(&text(boat)), text("C"));
    }
    assert_eq!(g.renames, [(text("A"), text("C")), (text("B"), text("C"))]);
    // Statements of old follow, and new ones are written under the name in force.
    add(&mut w, Op::Setup { setup: setup("A", Some(300)), replaces: vec![] });
    let g = Ground::of(&w);
    assert_eq!(g.setups, [setup("C", Some(300))]);
    assert!(
        matches!(g.setup_op(setup("B", Some(310))), Some(Op::Setup { setup, .. }) if setup.boat == text("C"))
    );
    // Back to the first name.
    let g = answer(&mut w, |g| g.rename_op(&text("C"), &text("A")));
    assert_eq!(g.setups, [setup("A", Some(300))]);
    assert_eq!([g.boat(&text("B")), g.boat(&text("C"))], [text("A"), text("A")]);
    conflicts(&g, &[]);
    assert_eq!(g.rename_op(&text("C"), &text("A")), None);
}

#[test]
fn of_two_names_the_smaller_holds_and_a_ring_ends() {
    let mut w = said(vec![rename("A", "Z"), rename("A", "M")]);
    let g = Ground::of(&w);
    assert_eq!(g.boat(&text("A")), text("M"));
    conflicts(&g, &["A was renamed to M and to Z: M is used"]);
    let g = answer(&mut w, |g| g.rename_op(&text("A"), &text("Z")));
    assert_eq!(g.boat(&text("A")), text("Z"));
    conflicts(&g, &[]);
    // A renaming is undone by the boat's own name.
    let g = answer(&mut w, |g| g.rename_op(&text("A"), &text("A")));
    assert_eq!((g.boat(&text("A")), g.renames.len()), (text("A"), 0));
    let mut w = said(vec![rename("A", "B"), rename("B", "C"), rename("C", "B"), rename("D", "A")]);
    let g = Ground::of(&w);
    for boat in ["A", "B", "C", "D"] {
        assert_eq!(g.boat(&text(boat)), text("B"), "{boat}");
    }
    conflicts(&g, &["in a ring around B"]);
    let g = answer(&mut w, |g| g.rename_op(&text("B"), &text("C")));
    assert_eq!(g.boat(&text("D")), text("C"));
    conflicts(&g, &[]);
}

#[test]
fn a_chain_of_ten_thousand_names_is_followed() {
    let name = |i: usize| format!("n{i:05}");
    let mut w = SurveyWrites::default();
    for i in 0..10_000u16 {
        let what = rename(&name(i.into()), &name(usize::from(i) + 1));
        let write = WriteRef { nonce: Nonce([7; 16]), n: i };
        w.said.insert(write, Said { device: DeviceId([0; 32]), claimed: NOW, what });
    }
    let g = Ground::of(&w);
    assert_eq!(g.boat(&text(&name(0))), text(&name(10_000)));
    assert_eq!(g.renames.len(), 10_000);
}

#[test]
fn a_leg_claimed_for_two_boats_is_named_until_they_are_one() {
    let mut w = SurveyWrites::default();
    claim(&mut w, &["the blue one", "Heron"]);
    claim(&mut w, &["Heron", "Heron"]);
    let g = Ground::of(&w);
    conflicts(&g, &["1 legs are claimed for Heron and for the blue one: Heron is used"]);
    assert_eq!(g.boats(&w).len(), 2);
    let g = answer(&mut w, |g| g.rename_op(&text("the blue one"), &text("Heron")));
    conflicts(&g, &[]);
    assert_eq!(g.boats(&w).len(), 1);
}

fn verdict(scope: Scope, decision: Decision) -> Verdict {
    Verdict { scope, decision, until: NOW, shoaler_than_mm: None, deeper_than_mm: None, why: text("weed") }
}

fn stretch(boat: &str) -> Scope {
    Scope::Stretch { boat: text(boat), from: minute(0), to: minute(10) }
}

fn decided(g: &Ground) -> Vec<Decision> {
    g.verdicts.iter().map(|s| s.what.decision).collect()
}

#[test]
fn opposite_verdicts_are_shown_until_one_of_them_is_made_again() {
    use Decision::{Keep, LeaveOut};
    let cell = Scope::Cell(CellId { x: 5, y: 6 });
    let area = Scope::Area(vec![at(7.0, 48.0), at(7.1, 48.0), at(7.1, 48.1)]);
    for scope in [stretch("Heron"), cell, area] {
        let said_op = |d| Op::Verdict { verdict: verdict(scope.clone(), d), replaces: vec![] };
        for order in [[LeaveOut, Keep], [Keep, LeaveOut]] {
            let apart = said(order.map(said_op).into());
            let g = Ground::of(&apart);
            conflicts(&g, &["is left out by"]);
            assert_eq!(g.verdicts.len(), 2, "both go into the reduction");
            let mut out = apart.clone();
            let g = answer(&mut out, |g| g.verdict_op(verdict(scope.clone(), LeaveOut)));
            assert_eq!(decided(&g), [LeaveOut]);
            conflicts(&g, &[]);
            let mut back = apart;
            let g = answer(&mut back, |g| g.take_back_op(verdict(scope.clone(), Keep), None));
            assert_eq!(decided(&g), [Keep]);
            conflicts(&g, &[]);
            assert_eq!(
                g.take_back_op(verdict(scope.clone(), Keep), None),
                None,
                "nothing is left to take back"
            );
        }
    }
}

#[test]
fn filters_narrow_a_verdict() {
    let shoal = |d| Verdict { shoaler_than_mm: Some(1_000), ..verdict(stretch("Heron"), d) };
    let deep = |d| Verdict { deeper_than_mm: Some(20_000), ..verdict(stretch("Heron"), d) };
    let all = |d| verdict(stretch("Heron"), d);
    use Decision::{Keep, LeaveOut};
    let mut w = SurveyWrites::default();
    answer(&mut w, |g| g.verdict_op(shoal(LeaveOut)));
    let g = answer(&mut w, |g| g.verdict_op(deep(LeaveOut)));
    assert_eq!(g.verdicts.len(), 2, "two leave-outs of other depths stand beside each other");
    assert_eq!(g.verdict_op(deep(LeaveOut)), None);
    let g = answer(&mut w.clone(), |g| g.verdict_op(all(LeaveOut)));
    assert_eq!(g.verdicts.len(), 1, "what holds for all depths makes both needless");
    let g = answer(&mut w, |g| g.take_back_op(shoal(Keep), None));
    assert_eq!(decided(&g), [LeaveOut, Keep]);
    conflicts(&g, &[]);
    let g = answer(&mut w, |g| g.take_back_op(all(Keep), None));
    assert_eq!(decided(&g), [Keep]);
    // By its write alone, also where it says that these are no copies.
    let g = answer(&mut w, |g| g.verdict_op(all(Decision::NotCopies)));
    assert_eq!(g.take_back_op(all(Keep), None), None, "that is no leave-out");
    let which = g.verdicts.iter().find(|s| s.what.decision == Decision::NotCopies).map(|s| s.write);
    let g = answer(&mut w, |g| g.take_back_op(all(Keep), which));
    assert_eq!(decided(&g), [Keep]);
}

#[test]
fn what_is_said_of_copies_settles_no_other_dispute() {
    use Decision::{Keep, LeaveOut, NotCopies};
    let op = |d| Op::Verdict { verdict: verdict(stretch("Heron"), d), replaces: vec![] };
    let mut w = said(vec![op(LeaveOut), op(Keep)]);
    let g = answer(&mut w, |g| g.verdict_op(verdict(stretch("Heron"), NotCopies)));
    assert_eq!(decided(&g), [LeaveOut, Keep, NotCopies]);
    conflicts(&g, &["is left out by"]);
    // Taking it back leaves a leave-out of the same stretch as it is.
    let mut w = said(vec![op(LeaveOut), op(NotCopies)]);
    let which = Ground::of(&w).verdicts[1].write;
    let g = answer(&mut w, |g| g.take_back_op(verdict(stretch("Heron"), Keep), Some(which)));
    assert_eq!(decided(&g), [LeaveOut]);
    conflicts(&g, &[]);
}

#[test]
fn a_leave_out_made_again_binds_what_came_since() {
    let mut w = SurveyWrites::default();
    let cell = |until| Verdict {
        until: minute(until),
        ..verdict(Scope::Cell(CellId { x: 5, y: 6 }), Decision::LeaveOut)
    };
    answer(&mut w, |g| g.verdict_op(cell(0)));
    let g = answer(&mut w, |g| g.verdict_op(cell(5)));
    assert_eq!(g.verdicts.iter().map(|s| s.what.until).collect::<Vec<_>>(), [minute(5)]);
    assert_eq!(g.verdict_op(cell(5)), None);
}

#[test]
fn verdicts_follow_a_renamed_boat() {
    let op = |boat, d| Op::Verdict { verdict: verdict(stretch(boat), d), replaces: vec![] };
    let apart = vec![op("A", Decision::LeaveOut), op("B", Decision::Keep)];
    conflicts(&Ground::of(&said(apart.clone())), &[]);
    let mut w = said(apart);
    add(&mut w, rename("A", "B"));
    conflicts(&Ground::of(&w), &["B from"]);
}

#[test]
fn a_ring_has_one_form() {
    let (a, b, c, d) = (at(7.0, 48.0), at(7.1, 48.0), at(7.1, 48.1), at(7.0, 48.1));
    let form = canonical_ring(&[a, b, c, d]);
    for other in [vec![b, c, d, a], vec![d, c, b, a], vec![c, d, a, a, b, c], vec![a, d, c, b, a]] {
        assert_eq!(canonical_ring(&other), form);
    }
    assert_ne!(canonical_ring(&[a, c, b, d]), form);
    assert!(canonical_ring(&[]).is_empty() && canonical_ring(&[a, a]).len() == 1);
}

fn levelling(boats: &[&str], days: i32, own95_mm: u32, offset_mm: i32) -> Levelling {
    let boat = |b: &&str| BoatLevel {
        boat: text(b),
        lag_ms: None,
        lag95_ms: 0,
        scale_ppm: None,
        scale95_ppm: 0,
        noise_percent: 100,
        place_percent: 100,
    };
    let days = (0..boats.len() as u16).flat_map(|boat| {
        (0..days).map(move |day| DayLevel {
            boat,
            day: 20_000 + day,
            cluster: 0,
            offset_mm: offset_mm + i32::from(boat),
            own95_mm,
            pivot_mm: 0,
            speed_mm_s: 2_000,
        })
    });
    Levelling {
        inputs: Digest([1; 32]),
        days: days.collect(),
        boats: boats.iter().map(boat).collect(),
        clusters: vec![ClusterLevel { common95_mm: 0, floating: false }],
    }
}

#[test]
fn of_several_levellings_one_whole_solution_is_in_force() {
    let level = |l: &Levelling| Op::Level { levelling: l.clone(), replaces: vec![] };
    let (few, rough, fine, last) = (
        levelling(&["A"], 2, 10, 5),
        levelling(&["A"], 3, 40, 6),
        levelling(&["A"], 3, 20, 7),
        levelling(&["A"], 3, 20, 8),
    );
    let all = [&few, &rough, &fine, &last];
    let mut w = said(all.map(level).into());
    let g = Ground::of(&w);
    assert_eq!(g.levelling.as_ref().map(|l| &l.what), Some(&fine), "most days, then smaller uncertainty");
    let others: Vec<_> = g.other_levellings.iter().map(|l| &l.what).collect();
    assert_eq!(others, [&last, &rough, &few]);
    conflicts(&g, &["4 levellings were applied; the one of 3 boat-days by 02020202 is in force"]);
    // Two who applied one and the same solution do not differ.
    conflicts(&Ground::of(&said(vec![level(&few), level(&few)])), &[]);
    let g = answer(&mut w, |g| g.level_op(few.clone()));
    assert_eq!((g.levelling.map(|l| l.what), g.other_levellings.len()), (Some(few.clone()), 0));
    assert_eq!(Ground::of(&w).level_op(few), None);
    let g = answer(&mut w, Ground::unlevel_op);
    assert_eq!((g.levelling, g.conflicts.len()), (None, 0));
    assert_eq!(Ground::of(&w).unlevel_op(), None);
}

#[test]
fn a_levelling_follows_renamed_boats() {
    let mut w = said(vec![
        Op::Level { levelling: levelling(&["A", "B", "C"], 2, 10, 50), replaces: vec![] },
        rename("A", "X"),
    ]);
    let l = Ground::of(&w).levelling.expect("stands").what;
    let boats = |l: &Levelling| l.boats.iter().map(|b| b.boat.as_str().to_owned()).collect::<Vec<_>>();
    let offsets = |l: &Levelling| l.days.iter().map(|d| (d.boat, d.offset_mm)).collect::<Vec<_>>();
    assert_eq!(boats(&l), ["B", "C", "X"]);
    assert_eq!(offsets(&l), [(0, 51), (0, 51), (1, 52), (1, 52), (2, 50), (2, 50)]);
    // Two that are one by now: the offset that gives shoaler depths.
    add(&mut w, rename("B", "X"));
    let l = Ground::of(&w).levelling.expect("stands").what;
    assert_eq!(
        (boats(&l), offsets(&l)),
        (vec!["C".into(), "X".into()], vec![(0, 52), (0, 52), (1, 51), (1, 51)])
    );
}

#[test]
fn the_digest_of_inputs_follows_the_ground_and_not_the_way_to_it() {
    let scope = || stretch("A");
    let full = || {
        let mut w = said(vec![
            typed(0, 100),
            Op::Setup { setup: setup("A", Some(300)), replaces: vec![] },
            Op::Water { cast: cast(0, &[1_000]), replaces: vec![] },
            Op::Gauge { gauge: Gauge { name: text("landing"), zero_mm: 5, place: None }, replaces: vec![] },
            Op::River { line: vec![at(7.0, 48.0), at(7.1, 48.0)], replaces: vec![] },
            Op::Verdict { verdict: verdict(scope(), Decision::LeaveOut), replaces: vec![] },
        ]);
        claim(&mut w, &["A"]);
        w
    };
    let digest = |w: &SurveyWrites| Ground::of(w).inputs;
    let base = digest(&full());
    // Other writers, other order, the same said twice: the same ground.
    let mut again = SurveyWrites { claims: full().claims, ..SurveyWrites::default() };
    let ops: Vec<Op> = full().said.into_values().map(|s| s.what).collect();
    ops.iter().rev().chain(&ops).for_each(|op| add(&mut again, op.clone()));
    assert_eq!(digest(&again), base);
    let mut seen = BTreeSet::from([base]);
    let changes: [fn(&Ground) -> Option<Op>; 6] = [
        |g| g.stage_ops(vec![reading(0, 101)]).pop(),
        |g| g.setup_op(setup("A", Some(301))),
        |g| g.cast_op(cast(0, &[1_001])),
        |g| g.gauge_op(&text("landing"), Some(6), None),
        |g| g.river_op(vec![]),
        |g| g.rename_op(&text("A"), &text("B")),
    ];
    for change in changes {
        assert!(seen.insert(answer(&mut full(), change).inputs));
    }
    let mut more = full();
    claim(&mut more, &["A"]);
    assert!(seen.insert(digest(&more)));
    // A levelling is no input; a verdict taken back is as if it had never been.
    let levelled = answer(&mut full(), |g| g.level_op(levelling(&["A"], 1, 1, 1)));
    assert_eq!(levelled.inputs, base);
    let mut w = full();
    let back = answer(&mut w, |g| g.take_back_op(verdict(scope(), Decision::Keep), None)).inputs;
    let mut never = full();
    never.said.retain(|_, s| !matches!(s.what, Op::Verdict { .. }));
    assert_eq!(back, digest(&never));
    assert!(seen.insert(back));
}
