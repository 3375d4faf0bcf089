//! Surveys of invented legs for meetings: made quickly, and as hard to pack as real ones.

use leadline_logbook::{LegClaim, Limits, Op, PackedLeg, StripRef};
use leadline_model::{
    DepthFrom, Digest, FixClass, Flags, GridPos, LegWindow, Sounding, SurveyId, Text, UtcMillis,
};
use leadline_survey::{Home, INVITE_MILLIS, Store, found_survey, invite, join};
use std::path::Path;

const NOW: UtcMillis = UtcMillis(1_800_000_000_000);

fn text(s: &str) -> Text {
    Text::new(s).expect("short")
}

/// Numbers from a seed (splitmix64).
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ self.0 >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ z >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ z >> 31) % n
    }
}

/// When leg number `n` begins.
pub(crate) fn time_of(n: u64) -> UtcMillis {
    UtcMillis(NOW.0 - 400 * 86_400_000 + n as i64 * 600_000).leg_window().start()
}

/// Ten minutes of a boat at 2 m/s, a sounding a second, with the noise of real instruments: about 6 bytes each packed.
fn leg(n: u64) -> PackedLeg {
    let mut dice = Dice(n);
    let window: LegWindow = time_of(n).leg_window();
    let (mut x, mut y) = ((16_400 << 16) + dice.below(20 << 16), (11_000 << 16) + dice.below(20 << 16));
    let mut soundings = Vec::with_capacity(600);
    for s in 0..600 {
        x += 100 + dice.below(40);
        y += 90 + dice.below(40);
        let at = GridPos::new(x as u32, y as u32).expect("on the grid");
        soundings.push(Sounding {
            time: UtcMillis(window.start().0 + s * 1000 + dice.below(20) as i64),
            at,
            depth_mm: 5_000 + dice.below(120) as i32 * 10,
            from: DepthFrom::Transducer,
            offset_mm: None,
            speed_mm_s: Some(1_900 + dice.below(200) as u32),
            hdop_centi: Some(80 + dice.below(4) as u16),
            fix: FixClass::Autonomous,
            sats: Some(10 + dice.below(3) as u8),
            temp_centi: Some(1_500 + dice.below(3) as i16 * 10),
            flags: Flags::default(),
        });
    }
    PackedLeg::of(window, soundings, &Limits::default()).expect("packs").remove(0)
}

fn claim(leg: &PackedLeg) -> Op {
    Op::Leg(LegClaim {
        boat: text("Bench boat"),
        instrument: text("sounder"),
        source: Digest([7; 32]),
        window: leg.window,
        counts: Vec::new(),
        strips: leg.strips.iter().filter_map(|s| StripRef::of(leg.window, s)).collect(),
    })
}

/// A home with a survey of so many legs.
pub(crate) fn filled(at: &Path, legs: u64) -> (Home, SurveyId) {
    let home = Home::open(Some(at)).expect("a home");
    let id = found_survey(&home, &text("Bench"), &text("datum"), NOW).expect("founded");
    measure(&mut home.store(&id).expect("a store"), 0, legs);
    (home, id)
}

/// Adds the legs numbered from `first` on.
pub(crate) fn measure(store: &mut Store, first: u64, legs: u64) {
    let mut done = 0;
    while done < legs {
        let part: Vec<_> = (done..legs.min(done + 2500)).map(|n| leg(first + n)).collect();
        store.append(part.iter().map(|l| vec![claim(l)]).collect(), &part, NOW).expect("written");
        done += part.len() as u64;
    }
}

/// A home whose device has joined.
pub(crate) fn joined(at: &Path, inviter: &Home, id: &SurveyId) -> Home {
    let home = Home::open(Some(at)).expect("a home");
    let mut store = inviter.store(id).expect("a store");
    let made =
        invite(inviter, &mut store, leadline_survey::Role::Keeper, INVITE_MILLIS * 10_000, Vec::new(), NOW)
            .expect("an invite");
    join(&home, &made, NOW).expect("joined");
    home
}
