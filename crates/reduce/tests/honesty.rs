//! Whether the stated uncertainties hold, over many synthetic waters.

mod waters;

use leadline_model::{Digest, Grade};
use leadline_reduce::{Defaults, Reduced, StageHow, StageRecord, level, reduce};
use std::collections::BTreeMap;
use waters::{Class, Draft, Kind, Options, Sound, Truth, Water};

/// One cell: what was wrong, what was stated.
#[derive(Clone, Copy, Debug)]
struct Judged {
    class: Class,
    error: f64,
    tvu95: f64,
}

fn judge(reduced: &Reduced, truth: &Truth) -> Vec<Judged> {
    let cells = reduced.cells.iter();
    cells
        .map(|c| {
            let (e, n) = truth.frame.metres(c.at);
            Judged { class: truth.class(e, n), error: c.depth_m - truth.bed(e, n), tvu95: c.tvu95_m }
        })
        .collect()
}

/// Figures of many cells.
#[derive(Clone, Copy, Debug)]
struct Figures {
    cells: usize,
    /// Share of the errors within the stated band.
    inside: f64,
    bias: f64,
    /// Mean stated band, and true 95 % error.
    band: f64,
    true95: f64,
}

impl Figures {
    fn of(all: &[Judged], class: Option<Class>) -> Self {
        let mine: Vec<&Judged> = all.iter().filter(|j| class.is_none_or(|c| j.class == c)).collect();
        let n = mine.len().max(1) as f64;
        let mut sizes: Vec<f64> = mine.iter().map(|j| j.error.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        Self {
            cells: mine.len(),
            inside: mine.iter().filter(|j| j.error.abs() <= j.tvu95).count() as f64 / n,
            bias: mine.iter().map(|j| j.error).sum::<f64>() / n,
            band: mine.iter().map(|j| j.tvu95).sum::<f64>() / n,
            true95: sizes.get(sizes.len() * 95 / 100).copied().unwrap_or(0.0),
        }
    }
}

#[allow(clippy::print_stdout, reason = "the figures are the point of these tests")]
fn print(title: &str, all: &[Judged]) {
    let rows = Class::ALL.iter().map(|c| (format!("{c:?}"), Some(*c))).chain([("all".to_owned(), None)]);
    for (name, class) in rows {
        let f = Figures::of(all, class);
        println!(
            "{title} {name:>5}: {:7} cells, {:5.1} % inside, bias {:+.3} m, band {:.3} m, 95 % error {:.3} m, band/error {:.2}",
            f.cells,
            f.inside * 100.0,
            f.bias,
            f.band,
            f.true95,
            f.band / f.true95
        );
    }
}

fn counts_add_up(reduced: &Reduced, given: usize) {
    let t = &reduced.tally;
    assert_eq!(t.given, given as u64);
    assert_eq!(t.given, t.copies + t.total.soundings);
    assert_eq!(t.total.soundings as usize, reduced.soundings.len());
    let in_cells: u64 = reduced.cells.iter().map(|c| u64::from(c.soundings)).sum();
    assert_eq!(in_cells, t.total.soundings - t.total.of(Grade::Void));
}

fn all_cells(seeds: std::ops::Range<u64>, kind: Kind) -> Vec<Judged> {
    seeds
        .flat_map(|seed| {
            let Water { input, truth } = Water::draw(seed, kind);
            let given = input.legs.iter().map(|l| l.soundings.len()).sum();
            let reduced = reduce(input);
            counts_add_up(&reduced, given);
            judge(&reduced, &truth)
        })
        .collect()
}

#[test]
fn bands_before_levelling() {
    for (title, kind) in [("budget", Kind::budget()), ("quiet", Kind::quiet(0.4))] {
        let all = all_cells(0..60, kind);
        print(title, &all);
        let f = Figures::of(&all, None);
        assert!(f.inside >= 0.80, "{title}: {f:?}");
    }
}

#[test]
fn waters_are_what_they_promise() {
    let (mut shoalest, mut deepest, mut steepest, mut gentle, mut places) = (f64::MAX, 0.0, 0.0, 0, 0);
    for seed in 0..40 {
        let Water { input, truth } = Water::draw(seed, Kind::budget());
        let boat_days = truth.boat_days().count();
        assert!((4..=15).contains(&boat_days), "{boat_days}");
        let mut by_boat_day = BTreeMap::new();
        for leg in &input.legs {
            let day = leg.soundings[0].time.0.div_euclid(86_400_000);
            *by_boat_day.entry((leg.boat.clone(), day)).or_insert(0) += leg.soundings.len();
        }
        assert_eq!(by_boat_day.len(), boat_days);
        let sizes: Vec<usize> = by_boat_day.values().copied().collect();
        assert!(sizes.iter().all(|n| (600..2_700).contains(n)), "{sizes:?}");
        for e in (-150..=150).step_by(5) {
            for n in (-120..=120).step_by(5) {
                let (e, n) = (f64::from(e), f64::from(n));
                let (depth, slope) = (truth.bed(e, n), truth.slope(e, n));
                shoalest = f64::min(shoalest, depth);
                deepest = f64::max(deepest, depth);
                steepest = f64::max(steepest, slope);
                gentle += i32::from(slope < 0.10);
                places += 1;
            }
        }
    }
    assert!((1.0..1.5).contains(&shoalest) && (13.0..18.0).contains(&deepest), "{shoalest} {deepest}");
    assert!((0.25..0.50).contains(&steepest), "{steepest}");
    assert!((0.5..0.95).contains(&(f64::from(gentle) / f64::from(places))), "{gentle} of {places}");
    assert_eq!(Water::draw(3, Kind::budget()).input, Water::draw(3, Kind::budget()).input);
    assert_ne!(Water::draw(3, Kind::budget()).input, Water::draw(4, Kind::budget()).input);
}

#[test]
fn beam_sees_the_nearest_bottom() {
    // Source: IHO C-13 eq. 3.40 (slant reading 10 m, beam 20°): slope 5° → 0.0382 too shoal. Slope 15° is beyond half
    // the beam: there the formula's 0.1543 is short of the way down to the bed, 10 (cos 10° + sin 10° tan 15°) − 10.
    let half_tan = libm::tan(10f64.to_radians());
    for (degrees, short) in [(0.0, 0.0), (5.0, 0.0382), (15.0, 0.3134)] {
        let slope = libm::tan(f64::to_radians(degrees));
        for (se, sn) in [(slope, 0.0), (-0.6 * slope, 0.8 * slope)] {
            let read = waters::nearest(|e, n| 10.0 + short + se * e + sn * n, half_tan);
            assert!((read - 10.0).abs() < 2e-4, "{degrees}: {read}");
        }
    }
    // Over a narrow trough it sees the rims, over a narrow hump the top.
    let trough = waters::nearest(|e, _| 10.0 - e.abs(), half_tan);
    assert!((8.0..9.0).contains(&trough), "{trough}");
    assert!((waters::nearest(|e, _| 10.0 + e.abs(), half_tan) - 10.0).abs() < 1e-9);
}

#[test]
fn errors_are_drawn_at_the_stated_size() {
    let d = Defaults::default();
    let mut within: BTreeMap<&str, (u32, u32)> = BTreeMap::new();
    let mut count = |what, error: f64, u95: f64| {
        let (inside, all) = within.entry(what).or_default();
        *inside += u32::from(error.abs() <= u95);
        *all += 1;
    };
    let options = Options { boats: Some(3), days: Some(3), ungauged_day: true, ..Options::default() };
    for seed in 0..150 {
        let Water { input, truth } = Water::draw(seed, Kind::Budget(options));
        for boat in truth.boats() {
            match boat.draft {
                Draft::Typed => count("draft typed", boat.draft_error(), d.draft_typed),
                Draft::Logged => count("draft logged", boat.draft_error(), d.draft_logged),
                Draft::Unknown => count("draft unknown", boat.draft_error(), d.draft_unknown),
            }
            match boat.sound {
                Sound::Known => count("sound known", boat.scale, d.sound_known),
                Sound::TemperatureUnknown => count("temperature", boat.scale, d.temperature_unknown),
                Sound::SounderUnknown => count("sounder", boat.scale, d.sound_unknown),
            }
            let lag95 = if boat.said_lag_s.is_some() { d.lag_typed_s } else { d.lag_unknown_s };
            count("lag", truth.lag_s(boat.name), lag95);
            count("settlement", boat.settlement, d.settlement);
        }
        // One boat a day: those of one day share their stage.
        let record = StageRecord::new(&input.stages, &d);
        let mut seen = Vec::new();
        for leg in &input.legs {
            let at = leg.soundings[0].time;
            let day = at.0.div_euclid(86_400_000) as i32;
            if seen.contains(&day) {
                continue;
            }
            seen.push(day);
            let stage = record.at(at, leg.soundings[0].at);
            let what = match stage.how {
                StageHow::Unknown => "stage unknown",
                _ => "stage",
            };
            let boat = String::from(leg.boat.clone());
            count(what, truth.errors(&boat, day).stage, stage.uncertainty95_m);
        }
    }
    for (what, (inside, all)) in within {
        let share = f64::from(inside) / f64::from(all);
        // Three standard deviations of the share itself.
        let chance = 3.0 * libm::sqrt(0.95 * 0.05 / f64::from(all));
        assert!(all > 50 && (share - 0.95).abs() < chance, "{what}: {inside} of {all}");
    }
}

#[test]
fn true_offsets_are_those_of_the_reduced_depths() {
    // On level ground, without weed, a boat-day's depths are wrong by its offset and its sound speed, whatever the
    // other errors do. What is left of them in the mean of some hundred readings: 3 cm.
    let mut compared = 0;
    for options in [
        Options { weed: false, ..Options::default() },
        Options { weed: false, floating: true, ..Options::default() },
        Options { weed: false, apart: true, ungauged_day: true, ..Options::default() },
    ] {
        for seed in 100..110 {
            let Water { input, truth } = Water::draw(seed, Kind::Budget(options));
            let reduced = reduce(input);
            let mut sums: BTreeMap<(String, i32), (f64, f64)> = BTreeMap::new();
            for s in reduced.soundings.iter().filter(|s| s.void.is_none()) {
                let (e, n) = truth.frame.metres(s.at);
                if truth.slope(e, n) > 0.03 {
                    continue;
                }
                let boat = String::from(reduced.passes[s.pass as usize].boat.clone());
                let day = s.time.0.div_euclid(86_400_000) as i32;
                let bed = truth.bed(e, n);
                let tilt = truth.scale(&boat) * bed;
                let sum = sums.entry((boat, day)).or_default();
                *sum = (sum.0 + s.depth_m - bed - tilt, sum.1 + 1.0);
            }
            for ((boat, day), (sum, n)) in sums.into_iter().filter(|(_, s)| s.1 > 300.0) {
                let offset = truth.offset(&boat, day);
                assert!((sum / n - offset).abs() < 0.04, "{seed} {boat} {day}: {} {offset} {n}", sum / n);
                compared += 1;
            }
        }
    }
    assert!(compared > 120, "{compared}");
}

#[test]
fn no_errors_no_offsets() {
    // A factor of nothing leaves the beam, the weed and unknown levels.
    let options = Options { weed: false, ungauged_share: 0.0, ..Options::default() };
    let all = all_cells(0..5, Kind::Quiet(0.0, options));
    let f = Figures::of(&all, Some(Class::Flat));
    assert!(f.bias.abs() < 0.02 && f.true95 < 0.08, "{f:?}");
}

/// Options of the runs of levelling: every third water has a day whose level nobody knows.
fn levelled_options(seed: u64) -> Options {
    let ungauged_day = seed.is_multiple_of(3);
    let unknown_level95_m = ungauged_day.then_some(3.0);
    Options { ungauged_day, unknown_level95_m, ..Options::default() }
}

#[test]
#[allow(clippy::print_stdout, reason = "the figures are the point of this test")]
fn levelled_offsets_and_depths_hold_what_they_promise() {
    let (mut inside, mut offsets, mut ungauged) = (0u32, 0u32, Vec::new());
    let mut normal = Vec::new();
    let mut all = Vec::new();
    for seed in 0..200 {
        let Water { mut input, truth } = Water::draw(seed, Kind::Budget(levelled_options(seed)));
        let proposal = level(input.clone(), Digest([0; 32]));
        for (found, level) in proposal.days.iter().zip(&proposal.levelling.days) {
            let boat = found.boat.as_str();
            let pivot = f64::from(level.pivot_mm) / 1000.0;
            let true_offset = truth.offset(boat, found.day) + truth.scale(boat) * pivot;
            let error = found.offset_m - true_offset;
            if found.floating {
                continue;
            }
            offsets += 1;
            inside += u32::from(error.abs() <= found.uncertainty95_m);
            normal.push(error / found.uncertainty95_m * 1.96);
            if !found.known {
                ungauged.push(error);
            }
        }
        input.levelling = Some(proposal.levelling);
        all.extend(judge(&reduce(input), &truth));
    }
    let share = f64::from(inside) / f64::from(offsets);
    let rms = |v: &[f64]| (v.iter().map(|x| x * x).sum::<f64>() / v.len().max(1) as f64).sqrt();
    println!(
        "{offsets} offsets: {:.1} % inside, normalised rms {:.2}; {} ungauged: rms {:.3} m",
        share * 100.0,
        rms(&normal),
        ungauged.len(),
        rms(&ungauged)
    );
    print("levelled", &all);
    // S-44 §2.7: 95 % means that 95 of 100 lie inside.
    assert!((0.91..=0.985).contains(&share), "{share}");
    let f = Figures::of(&all, None);
    assert!((0.93..=0.97).contains(&f.inside) && f.bias.abs() < 0.03, "{f:?}");
    for class in Class::ALL {
        let f = Figures::of(&all, Some(class));
        assert!(f.inside >= 0.90 && f.cells > 10_000, "{class:?} {f:?}");
    }
}

#[test]
fn quieter_water_than_stated_gets_a_narrower_band() {
    for factor in [0.35, 0.5, 0.7] {
        let mut all = Vec::new();
        for seed in 0..40 {
            let Water { mut input, truth } = Water::draw(seed, Kind::Quiet(factor, levelled_options(seed)));
            input.levelling = Some(level(input.clone(), Digest([0; 32])).levelling);
            all.extend(judge(&reduce(input), &truth));
        }
        print(&format!("{factor} levelled"), &all);
        let f = Figures::of(&all, None);
        assert!(f.inside >= 0.93 && f.band <= 2.0 * f.true95, "{factor}: {f:?}");
    }
}
