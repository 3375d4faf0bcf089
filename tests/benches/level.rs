//! Levelling of many passes over one water, five boats on twenty days: whole, without any crossing (preparing the
//! soundings), and the robust solution of as many equations alone.
//!
//! `cargo bench -p leadline-tests --bench level`
#![allow(clippy::print_stdout, reason = "a bench prints its table")]

use leadline_model::{
    DepthFrom, Digest, FixClass, Flags, GridPos, LegId, LocalFrame, LonLat, Setup, Sounding, StageReading,
    Text, UtcMillis,
};
use leadline_reduce::{DeviceSet, Equation, Input, LegInput, level, robust};
use std::time::Instant;

/// 2026-05-01T06:00:00Z.
const START: i64 = 1_777_615_200_000;
const DAY_MS: i64 = 86_400_000;
const BOATS: usize = 5;
const DAYS: usize = 20;
/// Seconds of one pass at this speed, m/s.
const SECONDS: usize = 340;
const SPEED: f64 = 2.5;
/// A pass begins this long after the one before.
const EVERY_MS: i64 = 45 * 60_000;
/// Where all passes lie beside each other, so far apart, metres.
const APART: f64 = 1_500.0;
const REPETITIONS: usize = 5;
/// Seconds for 500 passes with 100,000 crossings.
const BAR_S: f64 = 1.0;

fn main() {
    println!(
        "| passes | soundings | crossings | of these near | level, best of {REPETITIONS}, s | without crossings s | solving alone s | us a crossing |"
    );
    println!("|---|---|---|---|---|---|---|---|");
    let mut last = (0, 0, 0.0);
    for passes in [125, 250, 500] {
        let input = survey(passes, 0.0);
        let apart = survey(passes, APART);
        let (mut crossings, mut near) = (0, 0);
        let whole = best(|| {
            let input = input.clone();
            let t = Instant::now();
            let proposal = level(input, Digest([0; 32]));
            let s = t.elapsed().as_secs_f64();
            (crossings, near) = (proposal.crossings, proposal.near);
            s
        });
        let prepared = best(|| {
            let input = apart.clone();
            let t = Instant::now();
            assert_eq!(level(input, Digest([0; 32])).crossings, 0);
            t.elapsed().as_secs_f64()
        });
        let (equations, priors) = network(crossings as usize);
        let solved = best(|| {
            let t = Instant::now();
            assert!(robust(&equations, &priors).is_some());
            t.elapsed().as_secs_f64()
        });
        println!(
            "| {passes} | {} | {crossings} | {near} | {whole:.3} | {prepared:.3} | {solved:.3} | {:.2} |",
            passes * SECONDS,
            whole * 1e6 / crossings as f64
        );
        last = (passes, crossings, whole);
    }
    let (passes, crossings, s) = last;
    let verdict = if s <= BAR_S && crossings >= 100_000 { "ok" } else { "not ok" };
    println!("\n{passes} passes, {crossings} crossings: {s:.2} s, bar {BAR_S} s: {verdict}");
}

fn best(mut once: impl FnMut() -> f64) -> f64 {
    (0..REPETITIONS).map(|_| once()).fold(f64::INFINITY, f64::min)
}

/// Numerical Recipes' 64-bit linear congruential generator, its upper half.
struct Dice(u64);

impl Dice {
    /// Evenly in -1 … 1.
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 32) as f64 / f64::from(u32::MAX) * 2.0 - 1.0
    }

    /// About normal, `sigma` wide.
    fn error(&mut self, sigma: f64) -> f64 {
        (self.even() + self.even() + self.even()) * sigma
    }
}

/// `passes` straight lines through one water in all directions, or each `apart` from the one before.
fn survey(passes: usize, apart: f64) -> Input {
    let mut dice = Dice(42);
    let mut input = Input::default();
    let drafts: Vec<f64> = (0..BOATS).map(|_| dice.error(0.05)).collect();
    for b in 0..BOATS {
        input.setups.push(Setup {
            boat: boat(b),
            from: UtcMillis(0),
            draft_mm: Some(300),
            sound_speed_mm_s: Some(1_500_000),
            temp_centi: None,
            lag_ms: None,
        });
    }
    let levels: Vec<f64> = (0..DAYS).map(|_| dice.error(0.4)).collect();
    // Every fourth day nobody reads the gauge.
    for (d, level) in levels.iter().enumerate().filter(|(d, _)| d % 4 != 3) {
        let at = UtcMillis(START + d as i64 * DAY_MS);
        input.stages.push(StageReading { gauge: text("landing"), at, level_mm: (level * 1000.0) as i32 });
    }
    let middle = GridPos::from_lonlat(LonLat { lon: 70.2, lat: 45.3 }).expect("on the grid");
    let frame = LocalFrame::new(middle);
    for k in 0..passes {
        let (b, day) = (k % BOATS, k / BOATS % DAYS);
        let time = START + day as i64 * DAY_MS + (k / BOATS / DAYS) as i64 * EVERY_MS;
        let line = Line {
            // Directions and distances from the middle that repeat nowhere.
            turn: (k as f64 * 0.618_033_988_7).fract() * std::f64::consts::PI * 2.0,
            offset: ((k as f64 * 0.754_877_666_2).fract() - 0.5) * 430.0,
            east: k as f64 * apart,
            stage: levels[day] - drafts[b],
        };
        let soundings = line.soundings(time, &frame, &mut dice);
        for window in soundings.chunk_by(|p, q| p.time.leg_window() == q.time.leg_window()) {
            let mut id = [b as u8; 32];
            id[..8].copy_from_slice(&window[0].time.0.to_le_bytes());
            let devices = DeviceSet::one(b as u8);
            let soundings = window.to_vec();
            input.legs.push(LegInput { id: LegId(id), boat: boat(b), devices, soundings });
        }
    }
    input
}

struct Line {
    turn: f64,
    offset: f64,
    east: f64,
    stage: f64,
}

impl Line {
    fn soundings(&self, time: i64, frame: &LocalFrame, dice: &mut Dice) -> Vec<Sounding> {
        let (ce, cn) = (self.turn.sin(), self.turn.cos());
        let mut wander = [dice.error(0.7), dice.error(0.7)];
        (0..SECONDS)
            .map(|i| {
                let along = (i as f64 - SECONDS as f64 / 2.0) * SPEED;
                let (e, n) = (along * ce + self.offset * cn, along * cn - self.offset * ce);
                wander = wander.map(|w| 0.98 * w + dice.error(0.14));
                let bed = 8.0 + 3.0 * (e / 60.0).sin() + 2.0 * (n / 45.0 + e / 90.0).cos();
                let indicated = bed + self.stage - 0.3 + dice.error(0.06);
                Sounding {
                    time: UtcMillis(time + i as i64 * 1_000),
                    at: frame.place(e + wander[0] + self.east, n + wander[1]),
                    depth_mm: (indicated * 1000.0) as i32,
                    from: DepthFrom::Transducer,
                    offset_mm: None,
                    speed_mm_s: Some((SPEED * 1000.0) as u32),
                    hdop_centi: Some(100),
                    fix: FixClass::Differential,
                    sats: Some(9),
                    temp_centi: Some(1_500),
                    flags: Flags(0),
                }
            })
            .collect()
    }
}

/// `ties` equations between the boat-days, of the shape levelling makes: boat-days, waters, four terms of each boat.
fn network(ties: usize) -> (Vec<Equation>, Vec<f64>) {
    let mut dice = Dice(43);
    let boat_days = BOATS * DAYS;
    let unknowns = boat_days + DAYS + 4 * BOATS;
    let draw = |dice: &mut Dice| (((dice.even() + 1.0) / 2.0 * boat_days as f64) as usize).min(boat_days - 1);
    let truth: Vec<f64> = (0..unknowns).map(|_| dice.error(0.1)).collect();
    let equations = (0..ties).map(|_| {
        let (a, b) = (draw(&mut dice), draw(&mut dice));
        let mut terms = std::collections::BTreeMap::new();
        for (day, sign) in [(a, 1.0), (b, -1.0)] {
            let of_boat = boat_days + DAYS + day % BOATS * 4;
            let size = [1.0, 0.4 + 0.1 * dice.even(), 8.0 + 3.0 * dice.even(), 0.1 * dice.even()];
            let own = [(day, 1.0), (boat_days + day / BOATS, 1.0)];
            for (i, c) in own.into_iter().chain((0..4).map(|i| (of_boat + i, size[i]))) {
                *terms.entry(i).or_insert(0.0) += sign * c;
            }
        }
        terms.retain(|_, c| *c != 0.0);
        let terms: Vec<(usize, f64)> = terms.into_iter().collect();
        let fitted: f64 = terms.iter().map(|(i, c)| c * truth[*i]).sum();
        let wild = if dice.even() > 0.96 { 2.0 } else { 0.0 };
        Equation { terms, value: fitted + dice.error(0.15) + wild, variance: 0.0225 }
    });
    (equations.filter(|e| !e.terms.is_empty()).collect(), vec![0.01; unknowns])
}

fn boat(number: usize) -> Text {
    text(&format!("Bench boat {number}"))
}

fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}
