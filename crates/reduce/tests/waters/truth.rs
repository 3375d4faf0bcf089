//! What is true of a water.

use super::bed::{Bed, Block, SHOAL_M};
use super::fleet::Boat;
use super::sailing::Done;
use leadline_model::{CellId, LocalFrame};
use std::collections::{BTreeMap, BTreeSet};

/// Within this of the border of what was surveyed, metres.
const BORDER_M: f64 = 5.0;
/// A slope is steeper than this, metres a metre.
const STEEP: f64 = 0.10;

/// What is difficult about a place. Of several the first counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Class {
    /// Weed was taken for the bed in this cell.
    Weed,
    /// The border of the surveyed area or the margin of a shoal.
    Edge,
    /// Steeper than 0.10.
    Slope,
    /// The deepest fifth.
    Deep,
    Flat,
}

impl Class {
    pub(crate) const ALL: [Self; 5] = [Self::Weed, Self::Edge, Self::Slope, Self::Deep, Self::Flat];
}

/// Errors of one boat on one day, metres; positive = the reduced depth is too deep.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct BoatDay {
    pub(crate) draft: f64,
    /// Mean over its soundings.
    pub(crate) stage: f64,
    /// Mean over its soundings.
    pub(crate) settlement: f64,
    /// Not an error: mean depth below the transducer.
    pub(crate) range: f64,
}

/// The truth.
#[derive(Clone, Debug)]
pub(crate) struct Truth {
    pub(crate) frame: LocalFrame,
    pub(super) bed: Bed,
    deep: f64,
    blocks: Vec<Block>,
    weedy: BTreeSet<CellId>,
    days: BTreeMap<(String, i32), BoatDay>,
    boats: BTreeMap<String, Boat>,
}

impl Truth {
    pub(super) fn new(bed: Bed, frame: LocalFrame) -> Self {
        let mut depths: Vec<f64> = (-16..=16)
            .flat_map(|e| (-12..=12).map(move |n| (f64::from(e) * 10.0, f64::from(n) * 10.0)))
            .map(|(e, n)| bed.depth(e, n))
            .collect();
        depths.sort_by(f64::total_cmp);
        let deep = depths[depths.len() * 4 / 5];
        let (days, boats) = (BTreeMap::new(), BTreeMap::new());
        Self { frame, bed, deep, blocks: Vec::new(), weedy: BTreeSet::new(), days, boats }
    }

    pub(super) fn add(&mut self, boat: &str, midnight: i64, block: Block, errors: BoatDay, done: &Done) {
        self.blocks.push(block);
        self.weedy.extend(&done.weedy);
        self.days.insert((boat.to_owned(), (midnight / super::DAY_MS) as i32), errors);
    }

    pub(super) fn know(&mut self, boats: &[Boat]) {
        self.boats = boats.iter().map(|b| (b.name.to_owned(), b.clone())).collect();
    }

    /// Depth below the datum, metres.
    pub(crate) fn bed(&self, east: f64, north: f64) -> f64 {
        self.bed.depth(east, north)
    }

    /// Steepness of the bed, metres a metre.
    pub(crate) fn slope(&self, east: f64, north: f64) -> f64 {
        let (e, n) = self.bed.slope(east, north);
        libm::hypot(e, n)
    }

    pub(crate) fn class(&self, east: f64, north: f64) -> Class {
        let depth = self.bed.depth(east, north);
        let inside = self.blocks.iter().map(|b| b.inside(east, north)).fold(f64::NEG_INFINITY, f64::max);
        if self.weedy.contains(&self.frame.place(east, north).cell()) {
            Class::Weed
        } else if inside < BORDER_M || depth < SHOAL_M {
            Class::Edge
        } else if self.slope(east, north) > STEEP {
            Class::Slope
        } else if depth > self.deep {
            Class::Deep
        } else {
            Class::Flat
        }
    }

    /// Boats and days (since 1970-01-01, UTC) on the water, in that order.
    pub(crate) fn boat_days(&self) -> impl Iterator<Item = (&str, i32)> {
        self.days.keys().map(|(boat, day)| (boat.as_str(), *day))
    }

    /// Errors of one boat on one day. The boat was out that day.
    pub(crate) fn errors(&self, boat: &str, day: i32) -> BoatDay {
        self.days.get(&(boat.to_owned(), day)).copied().expect("the boat was out that day")
    }

    /// How much too deep its reduced depths are before levelling, metres: draft, stage, settlement; on top of that
    /// [`Self::scale`] of the depth below the transducer. The boat was out that day.
    pub(crate) fn offset(&self, boat: &str, day: i32) -> f64 {
        let e = self.errors(boat, day);
        e.draft + e.stage + e.settlement
    }

    /// Share of the depth below the transducer by which it is too deep after reduction (sound speed).
    pub(crate) fn scale(&self, boat: &str) -> f64 {
        self.boat(boat).scale
    }

    /// Delay of the position behind the depth beyond the typed one, seconds.
    pub(crate) fn lag_s(&self, boat: &str) -> f64 {
        let boat = self.boat(boat);
        boat.lag_s - boat.said_lag_s.unwrap_or(0.0)
    }

    /// All boats with what is true of them, by name.
    pub(crate) fn boats(&self) -> impl Iterator<Item = &Boat> {
        self.boats.values()
    }

    fn boat(&self, name: &str) -> &Boat {
        self.boats.get(name).expect("a boat of this water")
    }
}
