//! Invented measurements: a bed, a boat's way over it, the water's motion, a receiver, a sounder.

use std::f64::consts::PI;

/// Numerical Recipes' 64-bit linear congruential generator, its upper half.
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        let mut dice = Self(seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
        dice.unit();
        dice
    }

    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 32) as f64 + 0.5) / f64::from(u32::MAX)
    }

    pub(crate) fn within(&mut self, from: f64, to: f64) -> f64 {
        from + (to - from) * self.unit()
    }

    pub(crate) fn whole(&mut self, from: i64, to: i64) -> i64 {
        libm::floor(self.within(from as f64, to as f64 + 1.0)) as i64
    }

    pub(crate) fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.whole(0, all.len() as i64 - 1) as usize]
    }

    pub(crate) fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// Normal with this standard deviation (Box and Muller).
    pub(crate) fn normal(&mut self, sigma: f64) -> f64 {
        let (r, turn) = (libm::sqrt(-2.0 * libm::log(self.unit())), 2.0 * PI * self.unit());
        sigma * r * libm::cos(turn)
    }

    pub(crate) fn shuffle<T>(&mut self, all: &mut [T]) {
        for i in (1..all.len()).rev() {
            all.swap(i, self.whole(0, i as i64) as usize);
        }
    }
}

/// Waves of the bed: metres high, over metres long, in a direction.
pub(crate) struct Bed {
    depth: f64,
    waves: Vec<(f64, f64, f64, f64)>,
}

impl Bed {
    /// Banks and channels, humps, ripples.
    pub(crate) fn drawn(dice: &mut Dice) -> Self {
        let depth = dice.within(4.0, 25.0);
        let mut waves = Vec::new();
        for (n, amplitude, long) in [(3, 0.15 * depth, 400.0), (5, 0.3, 45.0), (6, 0.05, 9.0)] {
            for _ in 0..n {
                let high = dice.within(0.2, 1.0) * amplitude;
                waves.push((high, dice.within(0.6, 1.6) * long, dice.within(0.0, PI), dice.within(0.0, 9.0)));
            }
        }
        Self { depth, waves }
    }

    /// A few centimetres of relief in all.
    pub(crate) fn flat(dice: &mut Dice) -> Self {
        let depth = dice.within(2.0, 12.0);
        let wave =
            |dice: &mut Dice, high: f64, long: f64| (high, long, dice.within(0.0, PI), dice.within(0.0, 9.0));
        let waves = vec![wave(dice, 0.03, 500.0), wave(dice, 0.015, 60.0), wave(dice, 0.01, 15.0)];
        Self { depth, waves }
    }

    pub(crate) fn depth(&self, e: f64, n: f64) -> f64 {
        let relief = self.waves.iter().map(|(high, long, turn, start)| {
            let along = e * libm::cos(*turn) + n * libm::sin(*turn);
            high * libm::sin(2.0 * PI * along / long + start)
        });
        (self.depth + relief.sum::<f64>()).max(0.8)
    }
}

/// Where a boat is at a moment, seconds and metres, and how it heads.
#[derive(Clone, Copy)]
pub(crate) struct Place {
    pub(crate) t: f64,
    pub(crate) e: f64,
    pub(crate) n: f64,
    pub(crate) heading: f64,
    pub(crate) speed: f64,
}

/// A way of `seconds`, four places a second: lines with turns, or wandering, at a speed that breathes.
pub(crate) fn way(seconds: f64, dice: &mut Dice) -> Vec<Place> {
    let lines = dice.chance(0.5);
    let usual = dice.within(1.0, 3.2);
    let leg_s = dice.within(120.0, 400.0);
    let mut p = Place { t: 0.0, e: 0.0, n: 0.0, heading: dice.within(0.0, 2.0 * PI), speed: usual };
    let (mut turn, mut side, mut until, mut turning) = (0.0, 1.0, leg_s, 0.0);
    let dt = 0.25;
    let mut all = Vec::new();
    while p.t < seconds {
        all.push(p);
        if lines {
            if p.t >= until {
                (turning, until) = (PI, p.t + leg_s);
                side = -side;
            }
            let now: f64 = if turning > 0.0 { 0.12 } else { 0.0 };
            turning -= now * dt;
            p.heading += side * now * dt + dice.normal(0.004);
        } else {
            turn = 0.99 * turn + dice.normal(0.004);
            p.heading += turn * dt;
        }
        p.speed += 0.02 * (usual - p.speed) * dt + dice.normal(0.02);
        p.speed = p.speed.clamp(0.5 * usual, 1.5 * usual);
        p.e += p.speed * dt * libm::sin(p.heading);
        p.n += p.speed * dt * libm::cos(p.heading);
        p.t += dt;
    }
    all
}

/// Straight between the places of a way.
pub(crate) fn at(way: &[Place], t: f64) -> Place {
    let i = ((t / 0.25) as usize).min(way.len() - 2);
    let (a, b) = (way[i], way[i + 1]);
    let s = ((t - a.t) / 0.25).clamp(0.0, 1.0);
    Place { t, e: a.e + s * (b.e - a.e), n: a.n + s * (b.n - a.n), ..a }
}

/// What wanders slowly around zero: `keep` of it stays from one step to the next.
pub(crate) struct Wander {
    keep: f64,
    sigma: f64,
    now: f64,
}

impl Wander {
    /// Remembers for `memory` seconds, is asked every `step` seconds.
    pub(crate) fn new(sigma: f64, memory: f64, step: f64, dice: &mut Dice) -> Self {
        Self { keep: libm::exp(-step / memory), sigma, now: dice.normal(sigma) }
    }

    pub(crate) fn next(&mut self, dice: &mut Dice) -> f64 {
        self.now = self.keep * self.now + dice.normal(self.sigma * libm::sqrt(1.0 - self.keep * self.keep));
        self.now
    }
}

/// One measurement before anybody wrote it down.
#[derive(Clone, Copy)]
pub(crate) struct Truth {
    /// Seconds.
    pub(crate) t: f64,
    /// As the receiver has it, metres.
    pub(crate) e: f64,
    pub(crate) n: f64,
    /// Below the transducer, with heave and the sounder's noise, metres.
    pub(crate) depth: f64,
    pub(crate) speed: f64,
}

/// What a boat is equipped with.
#[derive(Clone, Copy)]
pub(crate) struct Gear {
    /// Seconds between soundings.
    pub(crate) every: f64,
    /// Noise of the sounder, one standard deviation, metres.
    pub(crate) noise: f64,
    /// Heave of the boat, one standard deviation, metres.
    pub(crate) heave: f64,
    /// Slow error of the receiver in one axis, one standard deviation, metres.
    pub(crate) wander: f64,
    /// Times beside the even beat, one standard deviation, seconds.
    pub(crate) jitter: f64,
}

impl Gear {
    pub(crate) fn drawn(dice: &mut Dice) -> Self {
        Self {
            every: dice.one_of(&[0.2, 0.5, 1.0, 1.0, 1.0, 1.003, 2.0]),
            noise: dice.within(0.01, 0.05),
            heave: dice.within(0.0, 0.08),
            wander: dice.within(0.5, 1.5),
            jitter: dice.one_of(&[0.0, 0.0, 0.004, 0.05]),
        }
    }
}

/// Measures along a way.
pub(crate) fn measure(way: &[Place], bed: &Bed, gear: &Gear, dice: &mut Dice) -> Vec<Truth> {
    let mut fix =
        [Wander::new(gear.wander, 60.0, gear.every, dice), Wander::new(gear.wander, 60.0, gear.every, dice)];
    let mut heave = Wander::new(gear.heave, 1.5, gear.every, dice);
    let end = way.last().map_or(0.0, |p| p.t);
    let start = dice.unit();
    let n = ((end - start) / gear.every) as usize;
    (0..n)
        .map(|i| {
            let t = start + i as f64 * gear.every;
            let p = at(way, t);
            let depth = bed.depth(p.e, p.n) - 0.4 + heave.next(dice) + dice.normal(gear.noise);
            let (e, n) = (p.e + fix[0].next(dice), p.n + fix[1].next(dice));
            Truth {
                t: t + dice.normal(gear.jitter).clamp(-0.2, 0.2) * gear.every,
                e,
                n,
                depth,
                speed: p.speed,
            }
        })
        .collect()
}
