//! One node, and the bytes of a tile.

use super::TILE_NODES;
use leadline_model::Grade;

/// No depth.
const BLANK: i16 = i16::MIN;
/// The cell the node lies in or nearest to was measured.
pub(crate) const MEASURED: u8 = 1 << 3;
/// Visits disagree.
pub(crate) const DISPUTED: u8 = 1 << 2;
/// Came with the newest soundings.
pub(crate) const FRESH: u8 = 1 << 4;
const GRADE: u8 = 0b11;

/// One node as it is sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Dot {
    /// Safe depth below the sounding datum, cm.
    pub(crate) safe: i16,
    /// Best depth, cm.
    pub(crate) best: i16,
    /// Uncertainty of the best depth, 95 %, in steps of 5 cm.
    pub(crate) tvu: u8,
    /// Grade (bits 0 and 1: 1 sure, 2 fair, 3 loose), disputed, measured, fresh.
    pub(crate) flags: u8,
}

impl Dot {
    pub(crate) const NONE: Self = Self { safe: BLANK, best: BLANK, tvu: 0, flags: 0 };

    pub(crate) fn is_known(&self) -> bool {
        self.safe != BLANK
    }
}

/// What is gathered for a node: the shoalest safe depth, the mean of best depths, the worst of the rest.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sum {
    safe_m: f64,
    best_m: f64,
    n: u32,
    tvu95_m: f64,
    flags: u8,
}

impl Default for Sum {
    fn default() -> Self {
        Self { safe_m: f64::INFINITY, best_m: 0.0, n: 0, tvu95_m: 0.0, flags: 0 }
    }
}

/// What is added to a node.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Part {
    pub(crate) safe_m: f64,
    pub(crate) best_m: f64,
    pub(crate) tvu95_m: f64,
    /// As in [`Dot::flags`].
    pub(crate) flags: u8,
}

impl Sum {
    pub(crate) fn is_known(&self) -> bool {
        self.n > 0
    }

    fn is_measured(&self) -> bool {
        self.flags & MEASURED != 0
    }

    /// Adds a part. What was measured takes the place of what lies between soundings; the shoaler safe depth stays.
    pub(crate) fn add(&mut self, p: Part) {
        self.safe_m = self.safe_m.min(p.safe_m);
        let is_measured = p.flags & MEASURED != 0;
        if is_measured && !self.is_measured() {
            *self = Self { safe_m: self.safe_m, ..Self::default() };
        }
        if is_measured || !self.is_measured() {
            self.best_m += p.best_m;
            self.n += 1;
            self.tvu95_m = self.tvu95_m.max(p.tvu95_m);
            self.flags = worse(self.flags, p.flags);
        }
    }

    /// What was measured here takes the place of what lies between; a safe depth that is known stays.
    pub(crate) fn measure(&mut self, p: Part) {
        let safe_m = if self.is_known() { self.safe_m } else { p.safe_m };
        *self = Self { safe_m, best_m: p.best_m, n: 1, tvu95_m: p.tvu95_m, flags: p.flags };
    }

    /// Pulls the safe depth up, and makes the node known if it was not.
    pub(crate) fn pull(&mut self, p: Part) {
        if self.is_known() { self.safe_m = self.safe_m.min(p.safe_m) } else { self.add(p) }
    }

    /// Marks as newly come or disputed.
    pub(crate) fn mark(&mut self, flags: u8) {
        self.flags |= flags & (FRESH | DISPUTED);
    }

    pub(crate) fn dot(&self) -> Dot {
        if !self.is_known() || !self.safe_m.is_finite() {
            return Dot::NONE;
        }
        Dot {
            // Rounded to the shoal side.
            safe: centimetres(libm::floor(self.safe_m * 100.0 + 1e-6)),
            best: centimetres(libm::round(self.best_m / f64::from(self.n) * 100.0)),
            tvu: libm::ceil(self.tvu95_m * 20.0 - 1e-6).clamp(0.0, 255.0) as u8,
            flags: self.flags,
        }
    }
}

impl From<Dot> for Part {
    fn from(d: Dot) -> Self {
        let metres = |cm: i16| f64::from(cm) / 100.0;
        Self {
            safe_m: metres(d.safe),
            best_m: metres(d.best),
            tvu95_m: f64::from(d.tvu) / 20.0,
            flags: d.flags,
        }
    }
}

/// The worse grade, and all marks.
fn worse(a: u8, b: u8) -> u8 {
    (a & GRADE).max(b & GRADE) | ((a | b) & !GRADE)
}

/// Bits of a grade.
pub(crate) fn grade_bits(grade: Grade) -> u8 {
    match grade {
        Grade::Sure => 1,
        Grade::Fair => 2,
        Grade::Loose | Grade::Void => 3,
    }
}

/// Deeper than 327 m is written as 327.67 m, which is the shoaler reading.
fn centimetres(cm: f64) -> i16 {
    cm.clamp(-32_767.0, 32_767.0) as i16
}

/// `LDT1`, the side as u16, a zero u16, then the planes, each row by row from the north-west, little-endian: safe
/// and best depths i16, uncertainty u8, flags u8.
pub(crate) fn write(dots: &[Dot]) -> Vec<u8> {
    let mut out = Vec::with_capacity(8 + dots.len() * 6);
    out.extend_from_slice(b"LDT1");
    out.extend_from_slice(&(TILE_NODES as u16).to_le_bytes());
    out.extend_from_slice(&0u16.to_le_bytes());
    dots.iter().for_each(|d| out.extend_from_slice(&d.safe.to_le_bytes()));
    dots.iter().for_each(|d| out.extend_from_slice(&d.best.to_le_bytes()));
    out.extend(dots.iter().map(|d| d.tvu));
    out.extend(dots.iter().map(|d| d.flags));
    out
}
