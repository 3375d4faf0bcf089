//! What a log said last: whether depth, fix and time are alive.

use crate::nmea::{DepthKind, Fix, Position};
use leadline_model::{LonLat, UtcMillis};

/// What was heard so far. The counts only grow, so that whoever reads them now and then sees what moved.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Pulse {
    /// Depths, by [`DepthKind::ALL`]; lost bottoms are not among them.
    pub depths: [u64; DepthKind::ALL.len()],
    /// The last depth as the instrument gave it, mm, and what stated it.
    pub depth: Option<(DepthKind, i32)>,
    /// The offset that depth sentences state, mm: positive to the water line, negative to the keel.
    pub offset_mm: Option<i16>,
    /// Fixes with a position that the receiver stands by.
    pub fixes: u64,
    /// Fixes that it does not stand by.
    pub void_fixes: u64,
    /// The last position, whether it stands or not.
    pub position: Option<LonLat>,
    /// Moments whose day is known.
    pub dated: u64,
    /// The last of them.
    pub time: Option<UtcMillis>,
    /// The first of them.
    pub first: Option<UtcMillis>,
    /// The last speed over ground, mm/s.
    pub speed_mm_s: Option<u32>,
}

impl Pulse {
    /// All depths together.
    pub fn all_depths(&self) -> u64 {
        self.depths.iter().sum()
    }

    pub(crate) fn note_depth(&mut self, kind: DepthKind, depth_mm: i32, offset_mm: Option<i16>) {
        self.depths[kind as usize] += 1;
        self.depth = Some((kind, depth_mm));
        self.offset_mm = offset_mm.or(self.offset_mm);
    }

    pub(crate) fn note_fix(&mut self, fix: &Fix) {
        if fix.position.is_some() {
            *(if fix.void { &mut self.void_fixes } else { &mut self.fixes }) += 1;
            self.position = fix.position.map(Position::lonlat);
        }
        self.note_speed(fix.speed_mm_s);
    }

    pub(crate) fn note_speed(&mut self, mm_s: Option<u32>) {
        self.speed_mm_s = mm_s.or(self.speed_mm_s);
    }

    pub(crate) fn note_time(&mut self, ms: Option<i64>) {
        let Some(time) = ms.map(UtcMillis) else { return };
        self.dated += 1;
        self.first = self.first.or(Some(time));
        self.time = Some(time);
    }
}
