//! Invented beds: a bank along the north, a channel, humps, a ledge, ripples.

use super::dice::Dice;
use std::f64::consts::PI;

/// The water reaches this far east and west, north and south of the middle, metres.
pub(crate) const HALF: (f64, f64) = (160.0, 125.0);
/// The part of its own that a boat has which meets nobody lies this far east, metres.
const APART_M: f64 = 500.0;
/// Below this depth the bed is a shoal's margin, metres.
pub(crate) const SHOAL_M: f64 = 2.0;
/// No bed is shoaler than this, metres.
const LEAST_M: f64 = 1.0;

/// A bed: depth below the datum at any place.
#[derive(Clone, Debug)]
pub(crate) struct Bed {
    shore_m: f64,
    shelf_m: f64,
    shelf_width: f64,
    channel_m: f64,
    channel_width: f64,
    channel_north: f64,
    bends: [f64; 3],
    humps: [[f64; 4]; 3],
    ledge_north: f64,
    ledge_m: f64,
    ledge_width: f64,
    /// Height, wave number east, wave number north, phase.
    ripples: [[f64; 4]; 3],
    /// Middle and half axes.
    weed: [f64; 4],
    weed_m: f64,
}

impl Bed {
    pub(crate) fn draw(dice: &mut Dice) -> Self {
        let hump = |dice: &mut Dice| {
            let (east, north) = (dice.between(-130.0, 130.0), dice.between(-100.0, 90.0));
            let height = dice.between(0.6, 2.8);
            [east, north, height, (height * dice.between(4.0, 10.0)).max(7.0)]
        };
        let ripple = |dice: &mut Dice| {
            let (wave, turn) = (2.0 * PI / dice.between(12.0, 60.0), dice.between(0.0, 2.0 * PI));
            let phase = dice.between(0.0, 2.0 * PI);
            [dice.between(0.01, 0.05), wave * libm::cos(turn), wave * libm::sin(turn), phase]
        };
        Self {
            shore_m: dice.between(1.0, 2.5),
            shelf_m: dice.between(2.5, 5.5),
            shelf_width: dice.between(25.0, 70.0),
            channel_m: dice.between(3.0, 7.0),
            channel_width: dice.between(22.0, 40.0),
            channel_north: dice.between(-60.0, 10.0),
            bends: [dice.between(5.0, 30.0), dice.between(45.0, 90.0), dice.between(0.0, 2.0 * PI)],
            humps: [hump(dice), hump(dice), hump(dice)],
            ledge_north: dice.between(10.0, 60.0),
            ledge_m: dice.between(0.2, 1.2),
            ledge_width: dice.between(4.5, 9.0),
            ripples: [ripple(dice), ripple(dice), ripple(dice)],
            weed: [
                dice.between(-110.0, 110.0),
                dice.between(60.0, 95.0),
                dice.between(30.0, 60.0),
                dice.between(18.0, 35.0),
            ],
            weed_m: dice.between(0.6, 1.0),
        }
    }

    /// Depth below the datum, metres.
    pub(crate) fn depth(&self, east: f64, north: f64) -> f64 {
        // The part apart has the same bed again.
        let east = east - APART_M * libm::round(east / APART_M);
        let bank = self.shelf_m * (1.0 - libm::exp(-(HALF.1 + 10.0 - north).max(0.0) / self.shelf_width));
        let middle = self.channel_north + self.bends[0] * libm::sin(east / self.bends[1] + self.bends[2]);
        let channel = self.channel_m * bell(north - middle, 0.0, self.channel_width);
        let humps: f64 = self.humps.iter().map(|[e, n, h, s]| h * bell(east - e, north - n, *s)).sum();
        let ledge = self.ledge_m * (1.0 - libm::tanh((north - self.ledge_north) / self.ledge_width));
        let ripples: f64 =
            self.ripples.iter().map(|[h, ke, kn, p]| h * libm::sin(ke * east + kn * north + p)).sum();
        no_shoaler(self.shore_m + bank + channel - humps + ledge + ripples)
    }

    /// Metres the bed falls a metre east and north.
    pub(crate) fn slope(&self, east: f64, north: f64) -> (f64, f64) {
        const H: f64 = 1.0;
        let de = self.depth(east + H, north) - self.depth(east - H, north);
        let dn = self.depth(east, north + H) - self.depth(east, north - H);
        (de / (2.0 * H), dn / (2.0 * H))
    }

    /// Height of the weed's tops above the bed, metres; 0 outside the weed.
    pub(crate) fn weed(&self, east: f64, north: f64) -> f64 {
        let [e, n, a, b] = self.weed;
        let east = east - APART_M * libm::round(east / APART_M);
        let (x, y) = ((east - e) / a, (north - n) / b);
        self.weed_m * libm::sqrt((1.0 - x * x - y * y).max(0.0))
    }
}

/// Slant way to the nearest bottom that a beam with half opening of tangent `half_tan` sees from a transducer right
/// above the middle of `under`: depth below the transducer, so many metres east and north.
pub(crate) fn nearest(under: impl Fn(f64, f64) -> f64, half_tan: f64) -> f64 {
    let here = under(0.0, 0.0);
    let reach = here * half_tan;
    // Metres the bed rises a metre along four ways, as far as the beam would reach on level ground.
    let rise = |e: f64, n: f64| (here - under(e * reach, n * reach)) / reach;
    let [east, west] = [rise(1.0, 0.0), rise(-1.0, 0.0)];
    let [north, south] = [rise(0.0, 1.0), rise(0.0, -1.0)];
    // On a plane the nearest bottom lies z · sin ζ · cos ζ upslope, or where the beam's rim meets the plane.
    let way = |s: f64| (here * s / (1.0 + s * s)).min(reach / (1.0 + s * half_tan));
    let straight = |s: f64| if s > 0.0 { libm::hypot(way(s), here - s * way(s)) } else { here };
    let nearest = [east, west, north, south].map(straight).into_iter().fold(here, f64::min);
    let (de, dn) = ((east - west) / 2.0, (north - south) / 2.0);
    let slope = libm::hypot(de, dn);
    if slope < 1e-3 {
        return nearest;
    }
    let side = way(slope);
    let z = under(de / slope * side, dn / slope * side);
    if side > z * half_tan * 1.01 { nearest } else { nearest.min(libm::hypot(side, z)) }
}

fn bell(x: f64, y: f64, sigma: f64) -> f64 {
    let r = (x * x + y * y) / (2.0 * sigma * sigma);
    if r > 30.0 { 0.0 } else { libm::exp(-r) }
}

/// Bends smoothly into the least depth.
fn no_shoaler(depth: f64) -> f64 {
    const BEND_M: f64 = 0.6;
    let over = depth - LEAST_M - BEND_M;
    if over >= 0.0 { depth } else { LEAST_M + BEND_M * libm::exp(over / BEND_M) }
}

/// A rectangle that one boat works on one day: west, east, south, north.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Block(pub(crate) [f64; 4]);

impl Block {
    /// Most of the water, and always its middle, so that boats meet.
    pub(crate) fn draw(apart: bool, dice: &mut Dice) -> Self {
        let shift = if apart { APART_M } else { 0.0 };
        let side = |dice: &mut Dice, half: f64| half * dice.between(0.55, 1.0);
        Self([
            shift - side(dice, HALF.0),
            shift + side(dice, HALF.0),
            -side(dice, HALF.1),
            side(dice, HALF.1),
        ])
    }

    /// Metres inside (negative = outside).
    pub(crate) fn inside(&self, east: f64, north: f64) -> f64 {
        let [w, e, s, n] = self.0;
        (east - w).min(e - east).min(north - s).min(n - north)
    }
}
