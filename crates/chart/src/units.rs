//! Depth units for what people read. Files stay in metres.

use leadline_model::{FATHOM, FOOT};

/// The unit of the depths in a picture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Units {
    /// Metres.
    #[default]
    Metres,
    /// International feet.
    Feet,
    /// Fathoms of six feet.
    Fathoms,
}

impl Units {
    /// Metres in one.
    pub fn in_metres(self) -> f64 {
        match self {
            Self::Metres => 1.0,
            Self::Feet => FOOT,
            Self::Fathoms => FATHOM,
        }
    }

    /// Plural, as in "depths in metres".
    pub fn word(self) -> &'static str {
        match self {
            Self::Metres => "metres",
            Self::Feet => "feet",
            Self::Fathoms => "fathoms",
        }
    }

    /// Short sign.
    pub fn sign(self) -> &'static str {
        match self {
            Self::Metres => "m",
            Self::Feet => "ft",
            Self::Fathoms => "fm",
        }
    }

    /// A height or length of `metres` in this unit with its sign, to about a centimetre.
    pub(crate) fn length_text(self, metres: f64) -> String {
        let decimals = if self == Self::Feet { 1 } else { 2 };
        format!("{} {}", fixed(metres / self.in_metres(), decimals), self.sign())
    }

    /// A depth of `metres` cut to one decimal on the shoal side, as a chart shows soundings.
    pub fn shoal_text(self, metres: f64) -> String {
        // The small addition keeps 2.3 m from becoming 2.2 for want of a binary 2.3.
        fixed(libm::floor(metres / self.in_metres() * 10.0 + 1e-6) / 10.0, 1).replace('-', "−")
    }

    /// A level of `metres` with as many decimals as it needs, at most two.
    pub(crate) fn level_text(self, metres: f64) -> String {
        let text = fixed(metres / self.in_metres(), 2);
        text.trim_end_matches('0').trim_end_matches('.').replace('-', "−")
    }
}

/// `x` with `decimals` decimals and no negative zero.
pub(crate) fn fixed(x: f64, decimals: usize) -> String {
    let text = format!("{x:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|c| matches!(c, b'0' | b'.')) => rest.to_owned(),
        _ => text,
    }
}

/// Metres with as many decimals as needed, at most four.
pub(crate) fn short(v: f64) -> String {
    fixed(v, 4).trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_round_to_the_shoal_side() {
        assert_eq!(Units::Metres.shoal_text(2.3), "2.3");
        assert_eq!(Units::Metres.shoal_text(2.399), "2.3");
        assert_eq!(Units::Metres.shoal_text(-0.01), "−0.1");
        // 3.048 m = 10 ft exactly (1959 agreement).
        assert_eq!(Units::Feet.shoal_text(3.048), "10.0");
        assert_eq!(Units::Fathoms.level_text(3.6576), "2");
        assert_eq!(Units::Metres.level_text(0.25), "0.25");
        assert_eq!(fixed(-0.0004, 3), "0.000");
    }
}
