//! Legs added to a map give, to the last bit, what all of them give at once.

mod waters;

use leadline_model::{
    CellId, Decision, Digest, FixClass, GridPos, LegId, Scope, Sounding, StageReading, TileId, UtcMillis,
    Verdict, VoidReason,
};
use leadline_reduce::{DeviceSet, Dispute, Input, LegInput, Map, Reduced, Refreshed, level, reduce};
use std::fmt::Write;
use waters::{Dice, Kind, Options, Water, text};

/// Soundings, cells, slopes and the rest, to the last bit.
type Bits = (Vec<[u64; 8]>, Vec<[u64; 8]>, Vec<u32>, String);

fn bits(r: &Reduced) -> Bits {
    let place = |p: GridPos| u64::from(p.x()) << 32 | u64::from(p.y());
    let soundings = r.soundings.iter().map(|s| {
        let void = s.void.map_or(99, |v| VoidReason::ALL.iter().position(|w| *w == v).unwrap_or(98) as u64);
        let three = [s.depth_m, s.tvu95_m, s.thu95_m].map(f64::to_bits);
        [s.time.0 as u64, place(s.at), three[0], three[1], three[2], s.grade as u64, void, u64::from(s.pass)]
    });
    let cells = r.cells.iter().map(|c| {
        let three = [c.depth_m, c.tvu95_m, c.shoalest_m].map(f64::to_bits);
        let counts = u64::from(c.soundings) << 32 | u64::from(c.passes) << 16 | u64::from(c.devices);
        let rest = u64::from(c.main_pass) << 8 | (c.grade as u64) << 1 | u64::from(c.disputed);
        let id = u64::from(c.id.x) << 32 | u64::from(c.id.y);
        [id, place(c.at), three[0], three[1], three[2], counts, rest, c.newest.0 as u64]
    });
    // Floats are printed so that they can be read back to the last bit.
    let mut rest = String::new();
    write!(rest, "{:?} {:?} {:?} {:?} {:?}", r.passes, r.disputes, r.copies, r.tally, r.conditions)
        .expect("a string");
    (soundings.collect(), cells.collect(), r.slopes.iter().map(|s| s.to_bits()).collect(), rest)
}

/// A map, and all legs it was given.
struct Growing {
    map: Map,
    all: Input,
}

impl Growing {
    fn new(all: Input) -> Self {
        Self { map: Map::new(all.clone()), all }
    }

    /// Adds `legs` and holds the map against one of everything.
    fn add(&mut self, legs: Vec<LegInput>, what: &str) -> Refreshed {
        let given = &self.all.legs;
        let fetch = |ids: &[LegId]| given.iter().filter(|l| ids.contains(&l.id)).cloned().collect();
        let done = self.map.add(legs.clone(), fetch);
        self.all.legs.extend(legs);
        let want = reduce(self.all.clone());
        assert!(self.map.reduced().tally == want.tally, "{what}: {done:?}: tally");
        assert!(bits(self.map.reduced()) == bits(&want), "{what}: {done:?}");
        done
    }
}

/// A water whose middle is the corner of four tiles.
fn on_a_corner(mut input: Input) -> Input {
    let middle = input.legs[0].soundings[0].at;
    let corner = GridPos::in_tile(TileId::new(22_000, 11_700).expect("a tile"), 0, 0);
    for s in input.legs.iter_mut().flat_map(|l| &mut l.soundings) {
        let x = s.at.x().wrapping_sub(middle.x()).wrapping_add(corner.x());
        s.at =
            GridPos::new(x, s.at.y().wrapping_sub(middle.y()).wrapping_add(corner.y())).expect("on the grid");
    }
    input
}

fn small(seed: u64, options: Options) -> Input {
    let options = Options { boats: Some(2), days: Some(3), ..options };
    with_stumps(Water::draw(seed, Kind::Budget(options)).input)
}

/// Stumps in every fiftieth cell: whoever sounds there first on a pass through it reads 1.5 m, once. One pass alone
/// has a spike there, two have a depth.
fn with_stumps(mut input: Input) -> Input {
    for leg in &mut input.legs {
        let mut last = None;
        for s in &mut leg.soundings {
            let cell = s.at.cell();
            let stump = (cell.x.wrapping_mul(31) ^ cell.y.wrapping_mul(17)) % 50 == 0;
            if stump && last != Some(cell) && s.depth_mm > 4_000 {
                s.depth_mm = 1_500;
            }
            last = Some(cell);
        }
    }
    input
}

#[test]
fn stumps_are_there_and_some_of_them_count() {
    let reduced = reduce(small(1, Options::default()));
    let spikes = reduced.tally.total.void(VoidReason::Spike);
    let seen = reduced.soundings.iter().filter(|s| s.void.is_none() && s.depth_m < 2.5).count();
    assert!(spikes > 20 && seen > 4, "{spikes} {seen}");
}

/// The `part`-th part of `of` of the legs, in the order of time.
fn part(input: &Input, part: usize, of: usize) -> Vec<LegInput> {
    let legs = &input.legs;
    legs[legs.len() * part / of..legs.len() * (part + 1) / of].to_vec()
}

/// Verdicts on what `input` holds: a stretch, an area by depth, a cell on which people disagree.
fn verdicts(input: &Input) -> Vec<Verdict> {
    let some = |i: usize| input.legs[input.legs.len() * i / 10].soundings[0];
    let verdict = |scope, decision, shoaler_than_mm| Verdict {
        scope,
        decision,
        shoaler_than_mm,
        deeper_than_mm: None,
        until: UtcMillis(i64::MAX),
        why: text("a test"),
    };
    let from = some(3).time;
    let boat = input.legs[input.legs.len() * 3 / 10].boat.clone();
    let stretch = Scope::Stretch { boat, from, to: UtcMillis(from.0 + 400_000) };
    let at = some(5).at;
    let corner = |dx: u32, dy: u32| GridPos::new(at.x() + dx, at.y() + dy).expect("on the grid");
    let area = Scope::Area(vec![corner(0, 0), corner(9_000, 0), corner(9_000, 9_000), corner(0, 9_000)]);
    let cell = Scope::Cell(some(7).at.cell());
    vec![
        verdict(stretch, Decision::LeaveOut, None),
        verdict(area, Decision::LeaveOut, Some(4_000)),
        verdict(cell.clone(), Decision::LeaveOut, None),
        verdict(cell, Decision::Keep, None),
    ]
}

/// A poorer recording of the same: other statements, another clock, another boat.
fn copy_of(legs: &[LegInput], boat: &str) -> Vec<LegInput> {
    let again = |s: &Sounding| Sounding {
        time: UtcMillis(s.time.0 + 7_000),
        hdop_centi: None,
        sats: None,
        fix: FixClass::Unstated,
        ..*s
    };
    let of = |l: &LegInput| LegInput {
        id: LegId(l.id.0.map(|b| b ^ 0x55)),
        boat: text(boat),
        devices: DeviceSet::one(9),
        soundings: l.soundings.iter().map(again).collect(),
    };
    legs.iter().map(of).collect()
}

#[test]
#[allow(clippy::print_stdout, reason = "how often it is done in part is worth knowing")]
fn legs_in_any_order_and_number() {
    let (mut in_part, mut whole) = (0, 0);
    for seed in 0..24u64 {
        let mut dice = Dice::new(seed ^ 0x3a9);
        let options = Options { ungauged_day: seed % 3 == 0, apart: seed % 4 == 1, ..Options::default() };
        let mut input = small(500 + seed, options);
        if seed % 2 == 0 {
            input = on_a_corner(input);
        }
        if seed % 3 == 1 {
            input.levelling = Some(level(input.clone(), Digest([7; 32])).levelling);
        }
        if seed % 4 < 2 {
            input.verdicts = verdicts(&input);
        }
        let mut legs = std::mem::take(&mut input.legs);
        // The same legs again: under their own id, and from another device under another.
        let twice = dice.below(legs.len());
        legs.push(legs[twice].clone());
        let other = LegInput { id: LegId([200; 32]), devices: DeviceSet::one(77), ..legs[twice / 2].clone() };
        legs.push(other);
        if seed % 6 == 2 {
            let day = legs[0].soundings[0].time.0 / 86_400_000;
            let first = |l: &LegInput| l.boat == legs[0].boat && l.soundings[0].time.0 / 86_400_000 == day;
            let first: Vec<LegInput> = legs.iter().filter(|l| first(l)).cloned().collect();
            legs.extend(copy_of(&first, "Abbot"));
        }
        for i in (1..legs.len()).rev() {
            legs.swap(i, dice.below(i + 1));
        }
        let begun = if seed % 5 == 0 { 0 } else { legs.len() / 2 };
        let mut rest = legs.split_off(begun);
        input.legs = legs;
        let mut growing = Growing::new(input);
        while !rest.is_empty() {
            let some = rest.split_off(rest.len().saturating_sub(1 + dice.below(6)));
            let done = growing.add(some, &format!("seed {seed}, {} left", rest.len()));
            in_part += u32::from(!done.whole);
            whole += u32::from(done.whole);
        }
    }
    println!("{in_part} in part, {whole} as a whole");
    assert!(in_part >= 60 && whole >= 10, "{in_part} {whole}");
}

#[test]
fn a_pass_in_the_middle_shifts_the_others() {
    let mut input = small(1, Options::default());
    input.legs.sort_by_key(|l| l.soundings[0].time);
    let day = |l: &LegInput| l.soundings[0].time.0 / 86_400_000;
    let mut days: Vec<i64> = input.legs.iter().map(day).collect();
    days.dedup();
    let boat = input.legs.iter().find(|l| day(l) == days[1]).expect("a leg").boat.clone();
    let (late, early) = input.legs.drain(..).partition(|l: &LegInput| day(l) == days[1] && l.boat == boat);
    input.legs = early;
    let mut growing = Growing::new(input);
    let before = growing.map.reduced().passes.len();
    let done = growing.add(late, "a day in between");
    assert!(!done.whole && growing.map.reduced().passes.len() > before, "{done:?}");
}

#[test]
fn a_leg_between_joins_two_passes() {
    let mut input = small(2, Options::default());
    let passes = reduce(input.clone()).passes;
    let longest = passes.into_iter().max_by_key(|p| p.legs.len()).expect("a pass");
    let in_pass = |l: &LegInput| longest.legs.contains(&l.id);
    let (mut mine, others): (Vec<LegInput>, Vec<LegInput>) = input.legs.drain(..).partition(in_pass);
    assert!(mine.len() >= 6, "{}", mine.len());
    let between: Vec<LegInput> = mine.drain(1..5).collect();
    input.legs = [mine, others].concat();
    let mut growing = Growing::new(input);
    let before = growing.map.reduced().passes.len();
    let done = growing.add(between, "the middle");
    assert!(!done.whole);
    assert_eq!(growing.map.reduced().passes.len(), before - 1);
}

#[test]
fn new_boats_sort_anywhere() {
    let options = Options { boats: Some(4), days: Some(3), ..Options::default() };
    let mut input = on_a_corner(Water::draw(9, Kind::Budget(options)).input);
    let mut boats: Vec<_> = input.legs.iter().map(|l| l.boat.clone()).collect();
    boats.sort();
    boats.dedup();
    let all = std::mem::take(&mut input.legs);
    let of = |i: usize| all.iter().filter(|l| l.boat == boats[i]).cloned().collect::<Vec<_>>();
    input.legs = [of(1), of(2), of(3)].concat();
    let mut growing = Growing::new(input);
    let done = growing.add(of(0), "a boat that comes first");
    assert!(!done.whole && done.tiles >= 2, "{done:?}");
    assert!(growing.map.reduced().disputes.len() > 5, "competing depths are part of this");
}

#[test]
fn copies_are_found_and_undone_as_a_whole() {
    let mut input = small(3, Options::default());
    let boat = input.legs[0].boat.clone();
    let day = input.legs[0].soundings[0].time.0 / 86_400_000;
    let of_day = |l: &&LegInput| l.boat == boat && l.soundings[0].time.0 / 86_400_000 == day;
    let first: Vec<LegInput> = input.legs.iter().filter(of_day).cloned().collect();
    let copies = copy_of(&first, "Abbot");
    let late = input.legs.iter().position(|l| !of_day(&l)).expect("another pass");
    let other = input.legs.remove(late);
    let mut growing = Growing::new(input);
    let (head, tail) = copies.split_at(copies.len() / 2);
    let done = growing.add(head.to_vec(), "half a copy");
    assert!(done.whole && !growing.map.reduced().copies.is_empty());
    let before = growing.map.reduced().copies.clone();
    let done = growing.add(vec![other], "something else");
    assert!(!done.whole, "what is not copied is added as ever");
    assert_eq!(growing.map.reduced().copies, before);
    let done = growing.add(tail.to_vec(), "the other half");
    assert!(done.whole && growing.map.reduced().copies != before);
}

#[test]
fn a_copy_that_turns_out_to_be_none_is_undone() {
    let mut input = small(3, Options::default());
    let mut dice = Dice::new(8);
    let passes = reduce(input.clone()).passes;
    let first = passes.iter().max_by_key(|p| p.legs.len()).expect("a pass");
    let original: Vec<LegInput> = input.legs.iter().filter(|l| first.legs.contains(&l.id)).cloned().collect();
    let mut again = copy_of(&original, "Abbot");
    let (head, tail) = again.split_at_mut(2);
    for s in tail.iter_mut().flat_map(|l| &mut l.soundings) {
        s.depth_mm += (dice.normal() * 300.0) as i32;
    }
    input.legs.extend(head.to_vec());
    let mut growing = Growing::new(input);
    assert_eq!(growing.map.reduced().copies.len(), 1);
    let done = growing.add(tail.to_vec(), "what no copy has");
    assert!(done.whole && growing.map.reduced().copies.is_empty());
}

/// Four boats over the same lines, each with its own noise, in passes of one to four minutes, each on a day of its own with a
/// known stage; and one pass over all of it that lies 2 m off. What is counted over whole passes, and the order of the
/// boats, change where nothing else does.
fn short_passes(seed: u64) -> (Input, Vec<LegInput>) {
    let mut dice = Dice::new(seed);
    let mut input = small(seed, Options { all_known: true, weed: false, ..Options::default() });
    let longest = reduce(input.clone()).passes.into_iter().max_by_key(|p| p.soundings).expect("a pass");
    let legs = input.legs.iter().filter(|l| longest.legs.contains(&l.id));
    let mut track: Vec<Sounding> = legs.flat_map(|l| l.soundings.iter().copied()).collect();
    track.sort_unstable();
    let begin = track[0].time.0;
    input.legs.clear();
    let mut legs = Vec::new();
    let mut day = 0i64;
    for boat in 0..4u8 {
        for part in track.chunks([60, 90, 130, 210][usize::from(boat)]) {
            day += 1 + dice.below(2) as i64;
            // Not in the order of the days: whose pass is the first changes as passes come in.
            let name = ["Bee", "Ant", "Doe", "Cat"][usize::from(boat) ^ dice.below(4)];
            let day = (day * 61) % 401;
            let soundings = part.iter().map(|s| Sounding {
                time: UtcMillis(s.time.0 + day * 86_400_000),
                depth_mm: s.depth_mm + (dice.normal() * 60.0) as i32,
                ..*s
            });
            let soundings = soundings.collect();
            let id = LegId([legs.len() as u8; 32]);
            legs.push(LegInput { id, boat: text(name), devices: DeviceSet::one(boat), soundings });
        }
    }
    for day in 0..=402 {
        let at = UtcMillis(begin + day * 86_400_000);
        input.stages.push(StageReading { gauge: text("landing"), at, level_mm: 300 });
    }
    let off = track.iter().map(|s| Sounding {
        time: UtcMillis(s.time.0 + 402 * 86_400_000),
        depth_mm: s.depth_mm + 2_000 + (dice.normal() * 60.0) as i32,
        ..*s
    });
    let off = off.collect();
    input.legs.push(LegInput {
        id: LegId([255; 32]),
        boat: text("Elk"),
        devices: DeviceSet::one(9),
        soundings: off,
    });
    for i in (1..legs.len()).rev() {
        legs.swap(i, dice.below(i + 1));
    }
    (input, legs)
}

#[test]
fn what_is_counted_over_passes_changes_elsewhere_too() {
    let mut turns = 0;
    for seed in 40..43 {
        let (input, mut rest) = short_passes(seed);
        let mut growing = Growing::new(input);
        let mut before: Vec<Dispute> = Vec::new();
        while let Some(leg) = rest.pop() {
            let near: Vec<_> = leg.soundings.iter().map(|s| s.at.cell()).collect();
            let far = |c: CellId| near.iter().all(|n| n.x.abs_diff(c.x) > 12 || n.y.abs_diff(c.y) > 12);
            let done = growing.add(vec![leg], &format!("seed {seed}, {} left", rest.len()));
            assert!(!done.whole);
            let now = growing.map.reduced().disputes.clone();
            let turned = |d: &&Dispute| far(d.cell) && before.iter().any(|b| b.cell == d.cell && b != *d);
            turns += now.iter().filter(turned).count();
            before = now;
        }
    }
    assert!(turns > 3, "{turns} disputes far from what was added are judged otherwise");
}

#[test]
fn a_pass_that_lies_off_turns_disputes_everywhere() {
    // Far off for a whole day: only with enough of it does the map see that the pass is wrong.
    let mut input =
        small(4, Options { all_known: true, weed: false, ungauged_share: 0.0, ..Options::default() });
    let day = |l: &LegInput| l.soundings[0].time.0 / 86_400_000;
    let last = input.legs.iter().map(day).max().expect("legs");
    let boat = input.legs.iter().find(|l| day(l) == last).expect("a leg").boat.clone();
    let (mut wrong, sound): (Vec<LegInput>, Vec<LegInput>) =
        input.legs.drain(..).partition(|l| day(l) == last && l.boat == boat);
    for s in wrong.iter_mut().flat_map(|l| &mut l.soundings) {
        s.depth_mm += 2_500;
    }
    input.legs = sound;
    let mut growing = Growing::new(input);
    let mut levels = Vec::new();
    for leg in wrong {
        let done = growing.add(vec![leg], "one more leg of it");
        assert!(!done.whole);
        let disputes = &growing.map.reduced().disputes;
        levels.push(disputes.iter().filter(|d| d.why == leadline_reduce::Why::WrongLevel).count());
    }
    assert!(levels.last() > Some(&20), "{levels:?}");
}

#[test]
fn nothing_and_the_first_legs() {
    let input = small(5, Options::default());
    let mut growing = Growing::new(Input { legs: Vec::new(), ..input.clone() });
    let first = growing.add(part(&input, 0, 4), "the first");
    assert!(first.whole && first.tiles > 0);
    let none = LegInput { soundings: Vec::new(), ..input.legs[0].clone() };
    assert_eq!(growing.add(vec![none], "no soundings"), Refreshed { tiles: 0, whole: false });
    assert_eq!(growing.add(Vec::new(), "nothing"), Refreshed { tiles: 0, whole: false });
    let many = growing.add(part(&input, 1, 2), "more than there was");
    assert!(many.whole);
}

#[test]
fn only_what_is_needed_is_asked_for() {
    let mut input = small(6, Options { apart: true, ..Options::default() });
    let last = input.legs.pop().expect("a leg");
    let mut map = Map::new(input.clone());
    let mut asked = 0;
    let done = map.add(vec![last.clone()], |ids| {
        asked += ids.len();
        input.legs.iter().filter(|l| ids.contains(&l.id)).cloned().collect()
    });
    let pass = map.reduced().passes.iter().find(|p| p.legs.contains(&last.id)).expect("its pass");
    // Its own pass, and at most one more that went the same way.
    assert!(!done.whole && asked >= pass.legs.len() - 1 && asked < input.legs.len() / 2, "{asked} {done:?}");
}
