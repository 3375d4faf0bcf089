//! Casts, gauges and a river through the whole reduction and its explanation.

use leadline_model::{
    DepthFrom, FixClass, Flags, Gauge, GridPos, Layer, LegId, LocalFrame, LonLat, Setup, Sounding,
    StageReading, Text, UtcMillis, WaterCast,
};
use leadline_reduce::{
    Basis, Defaults, DeviceSet, Input, LegInput, Settings, SoundSource, StageHow, explain, fresh_water,
    reduce,
};

/// 2026-05-01T10:00:00Z.
const START: i64 = 1_777_629_600_000;

fn frame() -> LocalFrame {
    LocalFrame::new(GridPos::from_lonlat(LonLat { lon: 70.2, lat: 45.3 }).expect("on the grid"))
}

fn text(t: &str) -> Text {
    Text::new(t).expect("short")
}

fn reading(gauge: &str, minutes: i64, level_mm: i32) -> StageReading {
    StageReading { gauge: text(gauge), at: UtcMillis(START + minutes * 60_000), level_mm }
}

/// The worked example of docs/method.md 1.2, by hand: gauges 10 km apart, their zeros at 100.0 and 101.5 m, the sounding datum at
/// 103.20 m, readings at 10:00 and 14:00; at 11:00 a boat 4 km below the upper gauge reads DPT 4.10, offset +0.50.
fn example() -> Input {
    let gauge = |name: &str, zero_mm, east| Gauge {
        name: text(name),
        zero_mm,
        place: Some(frame().place(east, 0.0)),
    };
    let sounding = Sounding {
        time: UtcMillis(START + 3_600_000),
        at: frame().place(4_000.0, 30.0),
        depth_mm: 4_100,
        from: DepthFrom::Transducer,
        offset_mm: Some(500),
        speed_mm_s: Some(2_000),
        hdop_centi: Some(100),
        fix: FixClass::Differential,
        sats: Some(9),
        temp_centi: None,
        flags: Flags(0),
    };
    let leg = LegInput {
        id: LegId([1; 32]),
        boat: text("Wren"),
        devices: DeviceSet::one(0),
        soundings: vec![sounding],
    };
    Input {
        legs: vec![leg],
        stages: vec![
            reading("upper", 0, 4_200),
            reading("upper", 240, 4_500),
            reading("lower", 0, 2_100),
            reading("lower", 240, 2_200),
        ],
        gauges: vec![gauge("upper", -3_200, 0.0), gauge("lower", -1_700, 10_000.0)],
        river: (0..=100).map(|i| frame().place(f64::from(i) * 100.0, 0.0)).collect(),
        // The examples know nothing of a beam: a needle of one has no error on the slope of an unknown bed.
        settings: Settings {
            defaults: Defaults { beam_deg: 0.0, ..Defaults::default() },
            ..Settings::default()
        },
        ..Input::default()
    }
}

fn explained(input: &Input) -> f64 {
    let basis = Basis {
        settings: &input.settings,
        setups: &input.setups,
        stages: &input.stages,
        casts: &input.casts,
        gauges: &input.gauges,
        river: &input.river,
        levelling: None,
        adopted: false,
    };
    explain(&basis, &input.legs[0].boat, &input.legs[0].soundings[0], 0.0).iter().map(|t| t.value).sum()
}

#[test]
fn worked_example_from_gauges_to_the_bed() {
    let input = example();
    let values = explained(&input);
    let reduced = reduce(input.clone());
    // Worked by hand: reduced depth 3.785, bed at 103.20 − 3.785 = 99.415.
    let depth = reduced.cells[0].depth_m;
    assert!((depth - 3.785).abs() < 1e-4 && (103.20 - depth - 99.415).abs() < 1e-4, "{depth}");
    assert!((values - 3.785).abs() < 1e-4, "{values}");
    let [first, last] = &reduced.conditions[0].stage;
    assert_eq!(first, last);
    assert_eq!(first.how, StageHow::BetweenGauges { permille: 400 });
    // Upstream of the upper gauge its level holds, less surely: 4.60 − (104.275 − 103.20).
    let mut up = input;
    up.river.insert(0, frame().place(-3_000.0, 0.0));
    up.legs[0].soundings[0].at = frame().place(-2_000.0, 0.0);
    let reduced = reduce(up);
    assert!((reduced.cells[0].depth_m - 3.525).abs() < 1e-4);
    let stage = &reduced.conditions[0].stage[0];
    assert_eq!(stage.how, StageHow::Beyond { metres: 2_000 });
    assert!(stage.uncertainty95_m > 0.6);
}

#[test]
fn a_cast_holds_for_every_boat_and_narrows_the_band() {
    let layers = [(0, 2_000), (5_000, 2_000), (10_000, 1_000)]
        .map(|(depth_mm, temp_centi)| Layer { depth_mm, temp_centi });
    let cast = WaterCast { at: UtcMillis(START - 86_400_000), salinity_centi: 0, layers: layers.to_vec() };
    let mut input = example();
    let setup = |boat: &str| Setup {
        boat: text(boat),
        from: UtcMillis(0),
        draft_mm: Some(0),
        sound_speed_mm_s: Some(1_500_000),
        temp_centi: Some(2_000),
        lag_ms: None,
    };
    input.setups = vec![setup("Wren"), setup("Heron")];
    let mut other = input.legs[0].clone();
    (other.id, other.boat) = (LegId([2; 32]), text("Heron"));
    other.soundings[0].at = frame().place(4_100.0, 30.0);
    input.legs.push(other);
    for leg in &mut input.legs {
        (leg.soundings[0].depth_mm, leg.soundings[0].offset_mm) = (12_000, None);
    }
    let plain = reduce(input.clone());
    input.casts = vec![cast];
    let values = explained(&input);
    let told = reduce(input.clone());
    for (with, without) in told.cells.iter().zip(&plain.cells) {
        // 20 °C alone makes 12 m · 1482.358/1500; the cold water below is slower, so the bed is shoaler.
        assert!(
            with.depth_m < without.depth_m - 0.1 && with.tvu95_m < without.tvu95_m,
            "{with:?} {without:?}"
        );
    }
    assert!((values - told.cells[0].depth_m).abs() < 1e-4);
    let sound = told.conditions[0].sound;
    assert_eq!((sound.source, plain.conditions[0].sound.source), (SoundSource::Cast, SoundSource::Known));
    // By hand: 12 m at 1500 m/s take 8 ms; the first 10 m take 10 / 1473.5006 = 6.786560 ms, the rest goes on at
    // 1447.279 m/s: 10 + 1.213440 · 1.447279 = 11.7562 m.
    let range = 12.0 * sound.factor;
    assert!((range - 11.756_2).abs() < 1e-3, "{range}");
    assert_eq!(plain.conditions[0].sound.speed, fresh_water(20.0));
    // Four days later nobody knows the column any more.
    input.casts[0].at = UtcMillis(START - 4 * 86_400_000);
    assert_eq!(reduce(input).cells, plain.cells);
}

#[test]
fn order_of_what_is_known_of_the_water_changes_nothing() {
    let mut input = example();
    input.casts = vec![
        WaterCast { at: UtcMillis(START), salinity_centi: 100, layers: vec![] },
        WaterCast { at: UtcMillis(START), salinity_centi: 50, layers: vec![] },
    ];
    let one = reduce(input.clone());
    input.casts.reverse();
    input.gauges.reverse();
    input.stages.reverse();
    input.river.reverse();
    assert_eq!(reduce(input), one);
    assert_eq!(one.conditions[0].sound.salinity, 0.5);
}
