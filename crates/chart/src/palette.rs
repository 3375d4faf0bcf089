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

/// Colour of band `band` of `n` (0 = shoalest) on the light sheet: evenly spread over the ramp without its darkest
/// end, where lines and numbers would drown.
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

/// The light sheet for paper and daylight, or the dark one for a cabin at night.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Theme {
    /// Dark ink on white.
    #[default]
    Light,
    /// Pale ink on near black; the same ramp, dimmed, so that deep is dark on both sheets.
    Dark,
}

/// How much of each channel the dark sheet keeps (judgement: pale ink then reads at 4.5 : 1 on every band).
const DIMMED: f64 = 0.42;

impl Theme {
    /// Lines and text.
    pub fn ink(self) -> Colour {
        match self {
            Self::Light => INK,
            Self::Dark => Colour(232, 235, 240),
        }
    }

    /// The sheet, and water nobody has sounded.
    pub fn paper(self) -> Colour {
        match self {
            Self::Light => PAPER,
            Self::Dark => Colour(8, 10, 14),
        }
    }

    /// Bed above the water at the charted stage.
    pub fn drying(self) -> Colour {
        match self {
            Self::Light => DRYING,
            Self::Dark => Colour(66, 63, 58),
        }
    }

    /// Colour of depth band `band` of `n`, 0 = shoalest.
    pub fn depth(self, band: usize, n: usize) -> Colour {
        match self {
            Self::Light => depth_colour(band, n),
            Self::Dark => blend(Colour(0, 0, 0), depth_colour(band, n), DIMMED),
        }
    }

    /// Text colour for `background`: ink or paper, whichever stands out more.
    pub fn ink_on(self, background: Colour) -> Colour {
        let (ink, paper) = (self.ink(), self.paper());
        if contrast(ink, background) >= contrast(paper, background) { ink } else { paper }
    }
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
    0.2126 * linear(c.0) + 0.7152 * linear(c.1) + 0.0722 * linear(c.2)
}

/// An sRGB channel as a share of light.
fn linear(v: u8) -> f64 {
    let v = f64::from(v) / 255.0;
    if v <= 0.03928 { v / 12.92 } else { libm::pow((v + 0.055) / 1.055, 2.4) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const THEMES: [Theme; 2] = [Theme::Light, Theme::Dark];

    #[test]
    fn text_reads_on_every_band() {
        // WCAG 2.1 success criterion 1.4.3: at least 4.5 : 1. Black on white is 21 : 1 by definition.
        assert!((contrast(Colour(0, 0, 0), Colour(255, 255, 255)) - 21.0).abs() < 1e-9);
        for theme in THEMES {
            for n in 1..=40 {
                for band in 0..n {
                    let c = theme.depth(band, n);
                    let ratio = contrast(theme.ink_on(c), c);
                    assert!(ratio >= 4.5, "{theme:?} {band} of {n}: {c} {ratio}");
                }
            }
            for ground in [theme.drying(), theme.paper()] {
                assert!(contrast(theme.ink(), ground) >= 4.5, "{theme:?} {ground}");
            }
        }
    }

    /// A dark sheet that glares is none: no ground lets through more than a fifth of white's light (judgement), and
    /// everything pale on it is still read.
    #[test]
    fn the_dark_sheet_is_dark() {
        for n in 1..=40 {
            for band in 0..n {
                let c = Theme::Dark.depth(band, n);
                assert!(luminance(c) < 0.2 && contrast(Theme::Dark.ink(), c) >= 4.5, "{band} of {n}: {c}");
            }
        }
        assert!(luminance(Theme::Dark.paper()) < 0.01 && luminance(Theme::Dark.drying()) < 0.2);
    }

    #[test]
    fn deep_is_dark() {
        for theme in THEMES {
            let light: Vec<f64> = (0..10).map(|b| luminance(theme.depth(b, 10))).collect();
            assert!(light.windows(2).all(|w| w[0] > w[1]), "{theme:?} {light:?}");
        }
    }

    /// Machado, Oliveira and Fernandes 2009, IEEE TVCG 15(6), severity 1.0, on linear red, green and blue:
    /// protan, deutan, tritan; and the usual eye.
    const EYES: [[[f64; 3]; 3]; 4] = [
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
    ];

    /// CIE 1976 L*a*b* (D65, from sRGB's primaries, IEC 61966-2-1) of a colour as an eye sees it.
    fn lab(c: Colour, eye: &[[f64; 3]; 3]) -> [f64; 3] {
        let rgb = [c.0, c.1, c.2].map(linear);
        let times = |m: &[[f64; 3]; 3], v: [f64; 3]| m.map(|r| r[0] * v[0] + r[1] * v[1] + r[2] * v[2]);
        let seen = times(eye, rgb).map(|v| v.clamp(0.0, 1.0));
        let to_xyz = [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ];
        let xyz = times(&to_xyz, seen);
        let f = |v: f64| if v > 216.0 / 24389.0 { v.cbrt() } else { (24389.0 / 27.0 * v + 16.0) / 116.0 };
        let [x, y, z] = [f(xyz[0] / 0.95047), f(xyz[1]), f(xyz[2] / 1.08883)];
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    fn apart(a: Colour, b: Colour, eye: &[[f64; 3]; 3]) -> f64 {
        let (p, q) = (lab(a, eye), lab(b, eye));
        (0..3).map(|i| (p[i] - q[i]).powi(2)).sum::<f64>().sqrt()
    }

    /// Neighbouring bands of the nine or so of a usual chart, told apart by every eye: a difference of 2.3 is just
    /// seen (Mahy, Van Eycken and Oosterlinck 1994, Color Research & Application 19(2)). Twice that is asked of the
    /// light sheet, one and a half times of the dark one, which has less light to tell with.
    #[test]
    fn neighbouring_bands_stay_apart_for_every_eye() {
        let white = lab(Colour(255, 255, 255), &EYES[0]);
        assert!(
            (white[0] - 100.0).abs() < 0.01 && white[1].abs() < 0.01 && white[2].abs() < 0.02,
            "{white:?}"
        );
        for (theme, asked) in [(Theme::Light, 4.6), (Theme::Dark, 3.45)] {
            for n in 2..=9 {
                for (eye, seen) in EYES.iter().enumerate() {
                    let mut least = f64::INFINITY;
                    for band in 1..n {
                        least = least.min(apart(theme.depth(band - 1, n), theme.depth(band, n), seen));
                    }
                    assert!(least > asked, "{theme:?}: {n} bands, eye {eye}: {least}");
                }
            }
            for eye in &EYES {
                let deepest = theme.depth(8, 9);
                assert!(apart(deepest, theme.paper(), eye) > 9.2, "{theme:?}: unknown is not deep");
                assert!(apart(theme.depth(0, 9), theme.drying(), eye) > 9.2, "{theme:?}: dry is not shoal");
            }
        }
    }
}
