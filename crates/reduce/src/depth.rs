//! From the indicated depth to the depth below the water surface: sound speed and draft.

use crate::Defaults;
use crate::setups::Said;
use crate::sound::{Casts, sound_speed};
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
    /// The sounder's assumed speed and the water's temperatures over depth are known.
    Cast,
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
    /// Temperature used, °C; `None` where it is unknown or changes with depth (a cast).
    pub celsius: Option<f64>,
    /// Practical salinity used; 0 = fresh.
    pub salinity: f64,
    /// True speed used, m/s: over a cast the mean (harmonic) from the transducer to the bed; `None` where depths
    /// are not scaled.
    pub speed: Option<f64>,
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
pub(crate) fn below_surface(s: &Sounding, said: &Said, casts: &Casts, defaults: &Defaults) -> BelowSurface {
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
    let sound = sound_used(s, said, casts, defaults, [draft.draft_m, below]);
    let range = below * sound.factor;
    let included = if s.from == DepthFrom::Surface { indicated - below } else { draft.draft_m };
    let reference95 = if known_reference { 0.0 } else { defaults.reference_unknown };
    BelowSurface { range, depth: range + included, draft, sound, reference95 }
}

/// `draft` and `below`: where the sound starts and how far the sounder says it went, metres.
fn sound_used(
    s: &Sounding,
    said: &Said,
    casts: &Casts,
    defaults: &Defaults,
    [draft, below]: [f64; 2],
) -> SoundUsed {
    let assumed = said.sound_speed;
    let over = assumed.and_then(|c0| casts.way(s.time, draft, below / c0).map(|way| (c0, way)));
    if let Some((c0, way)) = over {
        let blind = 1.0 - way.measured;
        return SoundUsed {
            factor: way.speed / c0,
            assumed,
            celsius: None,
            salinity: way.salinity,
            speed: Some(way.speed),
            uncertainty95_share: way.measured * defaults.sound_cast + blind * defaults.sound_known,
            source: SoundSource::Cast,
        };
    }
    let salinity = casts.salinity(s.time);
    let speed_at = |t: f64| sound_speed(t, salinity, 0.0);
    let logged = s.temp_centi.map(|c| f64::from(c) / 100.0);
    let believed = logged.filter(|t| speed_at(*t).is_some());
    let known = believed.or(said.temperature).or_else(|| casts.temperature(s.time));
    let (celsius, speed) = match known.and_then(|t| speed_at(t).map(|c| (t, c))) {
        Some((t, c)) => (Some(t), Some(c)),
        None => (None, speed_at(defaults.temperature)),
    };
    let (source, factor, share) = match (assumed, speed, celsius) {
        (Some(c0), Some(c), Some(_)) => (SoundSource::Known, c / c0, defaults.sound_known),
        (Some(c0), Some(c), None) => (SoundSource::TemperatureUnknown, c / c0, defaults.temperature_unknown),
        _ => (SoundSource::SounderUnknown, 1.0, defaults.sound_unknown),
    };
    let speed = speed.filter(|_| source != SoundSource::SounderUnknown);
    SoundUsed { factor, assumed, celsius, salinity, speed, uncertainty95_share: share, source }
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
    use crate::fresh_water;
    use leadline_model::{FixClass, Flags, GridPos, Layer, UtcMillis, WaterCast};

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
        below_surface(s, said, &Casts::default(), &Defaults::default())
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

    fn over(s: &Sounding, said: &Said, salinity_centi: u16, layers: &[(i32, i16)]) -> BelowSurface {
        let layers = layers.iter().map(|&(depth_mm, temp_centi)| Layer { depth_mm, temp_centi }).collect();
        let cast = WaterCast { at: UtcMillis(0), salinity_centi, layers };
        let d = Defaults::default();
        below_surface(s, said, &Casts::new(&[cast], &d), &d)
    }

    #[test]
    fn a_cast_wins_over_one_temperature() {
        // Source: C-13 eq. 3.18 and 3.42: 20 °C down to 5 m, 10 °C at 10 m: a sound takes as long as at 1473.5006 m/s,
        // by hand. A sounder that assumes 1500 shows 10 m as 10.17984.
        let s = sounding(10_180, DepthFrom::Transducer, None, Some(2_000));
        let layers = [(0, 2_000), (5_000, 2_000), (10_000, 1_000)];
        let b = over(&s, &said(Some(0.0), Some(1500.0)), 0, &layers);
        assert!((b.depth - 10.000_2).abs() < 1e-4, "{b:?}");
        assert_eq!((b.sound.source, b.sound.celsius), (SoundSource::Cast, None));
        assert!(b.sound.speed.is_some_and(|c| (c - 1_473.500).abs() < 1e-2), "{b:?}");
        // Measured all the way but for 0.2 mm.
        assert!((b.sound.uncertainty95_share - 1.0 / 300.0).abs() < 1e-6);
        // The logged 20 °C alone: 10.180 · 1482.358/1500.
        let alone = below(&s, &said(Some(0.0), Some(1500.0)));
        assert!((alone.depth - 10.060_3).abs() < 1e-4 && alone.sound.speed == fresh_water(20.0));
        // From 5 m down only the cold half counts: by hand 1464.749 m/s (see the column's test).
        let deep = sounding(5_120, DepthFrom::Transducer, None, None);
        let b = over(&deep, &said(Some(5.0), Some(1500.0)), 0, &layers);
        assert!((b.depth - 5.0 - 5.120 * 1_464.749 / 1_500.0).abs() < 1e-3, "{b:?}");
        // Half of 20 m lies below the cast: half way between 1/300 and 1/150.
        let twice = sounding(20_500, DepthFrom::Transducer, None, None);
        let b = over(&twice, &said(Some(0.0), Some(1500.0)), 0, &layers);
        assert!((b.sound.uncertainty95_share - 1.0 / 200.0).abs() < 1e-4, "{b:?}");
    }

    #[test]
    fn one_layer_is_only_a_temperature_and_salt_counts_in_any_case() {
        let s = sounding(10_000, DepthFrom::Transducer, None, Some(1_000));
        let setup = said(Some(0.0), Some(1500.0));
        let b = over(&s, &setup, 0, &[(0, 2_000)]);
        assert_eq!((b.sound.source, b.sound.celsius), (SoundSource::Known, Some(10.0)));
        let nothing = Sounding { temp_centi: None, ..s };
        assert_eq!(over(&nothing, &setup, 0, &[(0, 2_000)]).sound.celsius, Some(20.0));
        let typed = Said { temperature: Some(5.0), ..setup };
        assert_eq!(over(&nothing, &typed, 0, &[(0, 2_000)]).sound.celsius, Some(5.0));
        // Source: seawater 3.3.5 svel at salinity 35, 10 °C, surface: 1489.822 (its documented table, T68).
        let b = over(&s, &setup, 3_500, &[]);
        assert!((b.depth - 10.0 * 1_489.831 / 1_500.0).abs() < 1e-3 && b.sound.salinity == 35.0, "{b:?}");
        // A sounder whose speed nobody knows is not scaled, whatever the water is.
        let b = over(&s, &said(Some(0.0), None), 3_500, &[(0, 2_000), (9_000, 500)]);
        assert_eq!((b.sound.source, b.depth, b.sound.speed), (SoundSource::SounderUnknown, 10.0, None));
    }
}
