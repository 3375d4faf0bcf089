//! From the indicated depth to the depth below the water surface: sound speed and draft.

use crate::setups::Said;
use crate::{Defaults, fresh_water};
use leadline_model::{DepthFrom, Sounding};

/// Where a draft comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DraftSource {
    /// A person typed it.
    Typed,
    /// The log's own offset (positive: transducer to water line).
    Log,
    /// The instrument's depth is from the surface already.
    Included,
    /// Nobody said.
    Unknown,
}

/// The draft used: depth of the transducer below the water line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DraftUsed {
    /// Metres added; 0 where unknown (a state that is reported and capped).
    pub draft_m: f64,
    /// Uncertainty, 95 %, metres.
    pub uncertainty95_m: f64,
    /// Where it comes from.
    pub source: DraftSource,
    /// Typed minus the log's own, metres, where both are given.
    pub typed_minus_log_m: Option<f64>,
}

/// What is known of sound speed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SoundSource {
    /// The sounder's assumed speed and the water's temperature are known.
    Known,
    /// The sounder's speed is known, the temperature is the default.
    TemperatureUnknown,
    /// What the sounder assumes is unknown: depths are not scaled.
    SounderUnknown,
}

/// The sound speed used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoundUsed {
    /// True over assumed speed; 1 where unknown.
    pub factor: f64,
    /// What the sounder assumes, m/s.
    pub assumed: Option<f64>,
    /// Temperature used, °C.
    pub celsius: Option<f64>,
    /// Uncertainty, 95 %, share of the depth below the transducer.
    pub uncertainty95_share: f64,
    /// What is known.
    pub source: SoundSource,
}

/// A depth below the water surface and how it came about.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct BelowSurface {
    /// Below the transducer after scaling, metres.
    pub(crate) range: f64,
    /// Below the surface, metres.
    pub(crate) depth: f64,
    pub(crate) draft: DraftUsed,
    pub(crate) sound: SoundUsed,
    /// Uncertainty of what the depth was measured from, 95 %, metres.
    pub(crate) reference95: f64,
}

/// Scales what lies below the transducer by true over assumed sound speed, then adds the draft.
///
/// Source: IHO C-13 eq. 3.42 (dz = z · dc/c); draft after scaling. A depth that includes the draft already has it
/// taken out, is scaled, and has it put back.
pub(crate) fn below_surface(s: &Sounding, said: &Said, defaults: &Defaults) -> BelowSurface {
    let sound = sound_used(s, said, defaults);
    let draft = draft_used(s, said, defaults);
    let indicated = f64::from(s.depth_mm) / 1000.0;
    let logged = s.offset_mm.map_or(0.0, |mm| f64::from(mm) / 1000.0);
    let (below, known_reference) = match s.from {
        DepthFrom::Surface => ((indicated - draft.draft_m).max(0.0), true),
        // Negative offset: transducer to keel.
        DepthFrom::Keel => (indicated + (-logged).max(0.0), logged < 0.0),
        DepthFrom::Unknown => (indicated, false),
        _ => (indicated, true),
    };
    let range = below * sound.factor;
    let included = if s.from == DepthFrom::Surface { indicated - below } else { draft.draft_m };
    let reference95 = if known_reference { 0.0 } else { defaults.reference_unknown };
    BelowSurface { range, depth: range + included, draft, sound, reference95 }
}

fn sound_used(s: &Sounding, said: &Said, defaults: &Defaults) -> SoundUsed {
    let logged = s.temp_centi.map(|c| f64::from(c) / 100.0);
    let known = logged.filter(|t| fresh_water(*t).is_some()).or(said.temperature);
    let (celsius, speed) = match known.and_then(|t| fresh_water(t).map(|c| (t, c))) {
        Some((t, c)) => (Some(t), Some(c)),
        None => (None, fresh_water(defaults.temperature)),
    };
    let (source, factor, share) = match (said.sound_speed, speed, celsius) {
        (Some(assumed), Some(c), Some(_)) => (SoundSource::Known, c / assumed, defaults.sound_known),
        (Some(assumed), Some(c), None) => {
            (SoundSource::TemperatureUnknown, c / assumed, defaults.temperature_unknown)
        }
        _ => (SoundSource::SounderUnknown, 1.0, defaults.sound_unknown),
    };
    SoundUsed { factor, assumed: said.sound_speed, celsius, uncertainty95_share: share, source }
}

/// A typed draft wins; else a positive offset of the log; a negative one is the keel's and says nothing of the
/// water line, and zero is what sounders send when nobody set it.
fn draft_used(s: &Sounding, said: &Said, defaults: &Defaults) -> DraftUsed {
    let logged = s.offset_mm.filter(|mm| *mm > 0).map(|mm| f64::from(mm) / 1000.0);
    let typed_minus_log_m = said.draft.zip(logged).map(|(t, l)| t - l);
    let (source, draft_m, uncertainty95_m) = match (s.from, said.draft, logged) {
        (DepthFrom::Surface, typed, logged) => {
            (DraftSource::Included, typed.or(logged).unwrap_or(0.0), defaults.draft_logged)
        }
        (_, Some(typed), _) => (DraftSource::Typed, typed, defaults.draft_typed),
        (_, None, Some(logged)) => (DraftSource::Log, logged, defaults.draft_logged),
        (_, None, None) => (DraftSource::Unknown, 0.0, defaults.draft_unknown),
    };
    DraftUsed { draft_m, uncertainty95_m, source, typed_minus_log_m }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{FixClass, Flags, GridPos, UtcMillis};

    fn sounding(depth_mm: i32, from: DepthFrom, offset_mm: Option<i16>, temp_centi: Option<i16>) -> Sounding {
        Sounding {
            time: UtcMillis(0),
            at: GridPos::new(1, 1).expect("on the grid"),
            depth_mm,
            from,
            offset_mm,
            speed_mm_s: None,
            hdop_centi: None,
            fix: FixClass::Unstated,
            sats: None,
            temp_centi,
            flags: Flags(0),
        }
    }

    fn said(draft: Option<f64>, sound_speed: Option<f64>) -> Said {
        Said { draft, sound_speed, temperature: None, lag_ms: None }
    }

    fn below(s: &Sounding, said: &Said) -> BelowSurface {
        below_surface(s, said, &Defaults::default())
    }

    #[test]
    fn depth_scaling_worked_by_hand() {
        // Source: C-13 eq. 3.42 with Bilaniuk & Wong: 10 m at 10 °C, assumed 1500 → 9.6485; 4800 ft/s → 9.8923.
        let s = sounding(10_000, DepthFrom::Transducer, None, Some(1000));
        for (assumed, want) in [(1500.0, 9.6485), (1463.04, 9.8923)] {
            let b = below(&s, &said(Some(0.0), Some(assumed)));
            assert!((b.depth - want).abs() < 1e-4, "{b:?}");
            assert_eq!(b.sound.source, SoundSource::Known);
        }
        // Draft after scaling: 9.6485 + 0.5; included already: (10 − 0.5) · 0.964853 + 0.5.
        let b = below(&s, &said(Some(0.5), Some(1500.0)));
        assert!((b.depth - 10.1485).abs() < 1e-4);
        let s = Sounding { from: DepthFrom::Surface, ..s };
        let b = below(&s, &said(Some(0.5), Some(1500.0)));
        assert!((b.depth - 9.66610).abs() < 1e-4, "{b:?}");
    }

    #[test]
    fn offsets_of_the_log() {
        // Source: NMEA 0183 DPT, field 2: positive = transducer to water line, negative = transducer to keel.
        let draft =
            |offset, typed| below(&sounding(4_100, DepthFrom::Transducer, offset, None), &said(typed, None));
        let b = draft(Some(500), None);
        assert!((b.depth - 4.6).abs() < 1e-9 && b.draft.source == DraftSource::Log);
        for nothing in [Some(-700), Some(0), None] {
            let b = draft(nothing, None);
            assert!((b.depth - 4.1).abs() < 1e-9 && b.draft.source == DraftSource::Unknown, "{b:?}");
            assert_eq!(b.draft.uncertainty95_m, 0.5);
        }
        let b = draft(Some(300), Some(0.35));
        assert!((b.depth - 4.45).abs() < 1e-9 && b.draft.source == DraftSource::Typed);
        assert!(b.draft.typed_minus_log_m.is_some_and(|d| (d - 0.05).abs() < 1e-9));
    }

    #[test]
    fn keel_depths_go_back_to_the_transducer() {
        let b = below(&sounding(3_400, DepthFrom::Keel, Some(-700), None), &said(Some(0.3), None));
        assert!((b.depth - 4.4).abs() < 1e-9 && b.reference95 == 0.0);
        let b = below(&sounding(3_400, DepthFrom::Keel, None, None), &said(Some(0.3), None));
        assert!((b.depth - 3.7).abs() < 1e-9 && b.reference95 > 0.0);
    }

    #[test]
    fn what_is_not_known_is_a_state() {
        let s = sounding(10_000, DepthFrom::Transducer, None, Some(-27_315));
        let b = below(&s, &said(None, None));
        assert_eq!(
            (b.sound.source, b.sound.factor, b.sound.celsius),
            (SoundSource::SounderUnknown, 1.0, None)
        );
        let b = below(&s, &said(None, Some(1500.0)));
        assert_eq!((b.sound.source, b.sound.celsius), (SoundSource::TemperatureUnknown, None));
        // 15 °C: 1465.943 / 1500.
        assert!((b.sound.factor - 0.977_295).abs() < 1e-6);
        let typed = Said { temperature: Some(10.0), ..said(None, Some(1500.0)) };
        assert_eq!(below(&s, &typed).sound.celsius, Some(10.0));
    }
}
