//! What honest devices write: legs out of one small pool, so that two devices often claim the same, and statements.

use super::dice::Dice;
use super::site::text;
use leadline_logbook::{LegClaim, Limits, Op, PackedLeg, StripRef};
use leadline_model::{
    DepthFrom, Digest, FixClass, Flags, GridPos, Mark, MarkKind, Setup, Sounding, StageReading, SurveyId,
    TileId, UtcMillis,
};
use std::sync::OnceLock;

const START: i64 = 1_790_000_400_000;

/// The legs of the water: one to three tiles each.
pub(super) fn legs() -> &'static [PackedLeg] {
    static LEGS: OnceLock<Vec<PackedLeg>> = OnceLock::new();
    LEGS.get_or_init(|| {
        let mut dice = Dice::new(7);
        (0..40).flat_map(|n| leg(n, &mut dice)).collect()
    })
}

fn leg(n: i64, dice: &mut Dice) -> Vec<PackedLeg> {
    let start = UtcMillis(START + n * 600_000).leg_window().start().0;
    let tiles = 1 + dice.below(3);
    let sounding = |i: usize, dice: &mut Dice| Sounding {
        time: UtcMillis(start + i as i64 * 1000),
        at: GridPos::in_tile(
            TileId::new(17_000 + (i % tiles) as u32, 11_000 + (n % 4) as u32).expect("a tile"),
            dice.next() as u16,
            dice.next() as u16,
        ),
        depth_mm: 1000 + dice.below(9000) as i32,
        from: DepthFrom::Transducer,
        offset_mm: None,
        speed_mm_s: Some(2000),
        hdop_centi: Some(90),
        fix: FixClass::Differential,
        sats: Some(9),
        temp_centi: None,
        flags: Flags::default(),
    };
    let soundings = (0..6).map(|i| sounding(i, dice)).collect();
    PackedLeg::of(UtcMillis(start).leg_window(), soundings, &Limits::default()).expect("packs")
}

/// The claim of a leg.
pub(super) fn claim(leg: &PackedLeg, dice: &mut Dice) -> LegClaim {
    let strips = leg.strips.iter().map(|s| StripRef::of(leg.window, s).expect("inside its window"));
    LegClaim {
        boat: text(["swift", "plover"][dice.below(2)]),
        instrument: text("sounder"),
        source: Digest(dice.bytes()),
        window: leg.window,
        counts: vec![(text("no-fix"), dice.below(9) as u32)],
        strips: strips.collect(),
    }
}

/// One entry's writes, and the legs whose strips come with it.
pub(super) fn writes(dice: &mut Dice) -> (Vec<Op>, Vec<PackedLeg>) {
    let pick = |dice: &mut Dice| legs()[dice.below(legs().len())].clone();
    match dice.below(10) {
        0..6 => {
            let legs: Vec<_> = (0..1 + dice.below(2)).map(|_| pick(dice)).collect();
            (legs.iter().map(|l| Op::Leg(claim(l, dice))).collect(), legs)
        }
        6 => {
            let at = UtcMillis(START + dice.below(1 << 30) as i64);
            let reading = StageReading { gauge: text("weir"), at, level_mm: dice.below(2000) as i32 };
            (vec![Op::Stage { reading, replaces: vec![] }], vec![])
        }
        7 => {
            let setup = Setup {
                boat: text("swift"),
                from: UtcMillis(START),
                draft_mm: Some(dice.below(900) as i32),
                sound_speed_mm_s: None,
                temp_centi: None,
                lag_ms: None,
            };
            (vec![Op::Setup { setup, replaces: vec![] }], vec![])
        }
        8 => {
            let mark = Mark {
                kind: MarkKind::Stump,
                place: GridPos::in_tile(TileId::new(17_000, 11_000).expect("a tile"), 5, 6),
                depth_mm: None,
                name: text("stump"),
                note: text("below the bridge"),
            };
            (vec![Op::Mark { mark: Some(mark), replaces: vec![] }], vec![])
        }
        _ => {
            let survey = SurveyId([3; 16]);
            (vec![Op::Adopt { survey, name: text("other shore"), replaces: vec![] }], vec![])
        }
    }
}
