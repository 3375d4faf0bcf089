//! Colours of the sheet. Depths are one perceptual ramp, light where shoal and dark where deep; everything
//! else is one dark ink, told apart by line and hatch, not by hue.

/// A colour of 8 bits a channel: red, green, blue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Colour(pub u8, pub u8, pub u8);

impl std::fmt::Display for Colour {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "#{:02x}{:02x}{:02x}", self.0, self.1, self.2)
    }
}

/// Sixteen samples of "deep" from cmocean 4.0.3 (MIT; Thyng, Greene, Hetland, Zimmerle and DiMarco 2016,
/// Oceanography 29(3)): every 16th of its 256 rows, shoal first.
pub const DEEP: [Colour; 16] = [
    Colour(253, 254, 204),
    Colour(221, 242, 186),
    Colour(187, 230, 172),
    Colour(152, 218, 164),
    Colour(120, 206, 163),
    Colour(98, 191, 164),
    Colour(85, 174, 163),
    Colour(78, 158, 161),
    Colour(72, 142, 158),
    Colour(67, 127, 154),
    Colour(63, 111, 151),
    Colour(62, 95, 147),
    Colour(64, 77, 140),
    Colour(65, 62, 118),
    Colour(59, 50, 92),
    Colour(50, 38, 67),
];
/// Lines and text. Near black: only then does ink or paper read at 4.5 : 1 on every colour there is.
pub const INK: Colour = Colour(4, 6, 10);
/// The sheet, and water nobody has sounded.
pub const PAPER: Colour = Colour(255, 255, 255);
/// Bed above the water at the charted stage.
pub const DRYING: Colour = Colour(222, 222, 218);

/// Colour of band `band` of `n` (0 = shoalest): evenly spread over the ramp without its darkest end, where
/// lines and numbers would drown.
pub fn depth_colour(band: usize, n: usize) -> Colour {
    let last = 12.0;
    let at = if n < 2 { 2.0 } else { band.min(n - 1) as f64 / (n - 1) as f64 * last };
    let low = (at as usize).min(DEEP.len() - 2);
    blend(DEEP[low], DEEP[low + 1], at - low as f64)
}

/// `share` of `b` over `a`.
pub(crate) fn blend(a: Colour, b: Colour, share: f64) -> Colour {
    let mix = |a: u8, b: u8| libm::round(f64::from(a) + share * (f64::from(b) - f64::from(a))) as u8;
    Colour(mix(a.0, b.0), mix(a.1, b.1), mix(a.2, b.2))
}

/// Text colour for `background`: ink or paper, whichever stands out more.
pub fn ink_on(background: Colour) -> Colour {
    if contrast(INK, background) >= contrast(PAPER, background) { INK } else { PAPER }
}

/// Contrast ratio, 1 to 21. Source: WCAG 2.1, relative luminance and contrast ratio.
pub fn contrast(a: Colour, b: Colour) -> f64 {
    let (x, y) = (luminance(a), luminance(b));
    (x.max(y) + 0.05) / (x.min(y) + 0.05)
}

fn luminance(c: Colour) -> f64 {
    let linear = |v: u8| {
        let v = f64::from(v) / 255.0;
        if v <= 0.03928 { v / 12.92 } else { libm::pow((v + 0.055) / 1.055, 2.4) }
    };
    0.2126 * linear(c.0) + 0.7152 * linear(c.1) + 0.0722 * linear(c.2)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_reads_on_every_band() {
        // WCAG 2.1 success criterion 1.4.3: at least 4.5 : 1. Black on white is 21 : 1 by definition.
        assert!((contrast(Colour(0, 0, 0), Colour(255, 255, 255)) - 21.0).abs() < 1e-9);
        for n in 1..=40 {
            for band in 0..n {
                let c = depth_colour(band, n);
                assert!(contrast(ink_on(c), c) >= 4.5, "{band} of {n}: {c}");
            }
        }
        assert!(contrast(INK, DRYING) >= 4.5 && contrast(INK, PAPER) >= 4.5);
    }

    #[test]
    fn deep_is_dark() {
        let light: Vec<f64> = (0..10).map(|b| luminance(depth_colour(b, 10))).collect();
        assert!(light.windows(2).all(|w| w[0] > w[1]), "{light:?}");
    }
}
