//! Body versions 2 and 3: what they add, which version an entry is written with, and the bounds of its writes.

use crate::replica::Replica;
use crate::world::{
    Pen, admit, body, body_of, claim, founding, fourth, key, levelling, second, setup, signed, stage, survey,
    text, third,
};
use leadline_logbook::{
    BODY_VERSION, CodecError, DocKey, Entry, Limits, MAX_SERIES, Op, Refusal, Role, changes_of, encode,
};
use leadline_model::{CellId, GridPos, MAX_BOAT_DAYS, MAX_SHORE_CORNERS, Scope, Shoreline, UtcMillis};

fn crew() -> (Replica, Pen) {
    let mut one = Pen::new(1, 1);
    let founded = [one.write(Op::Found(founding())), one.write(admit(2, Role::Contributor))];
    (Replica::with(survey(), &founded), Pen::new(2, 1))
}

/// What becomes of `ops` under body version `version`, signed by a member.
fn offered(version: u8, ops: &[Op]) -> Result<(), Refusal> {
    let (mut r, two) = crew();
    let o = r.offer(&[signed(&two.key, &two.next_envelope(), &body_of(version, ops))]);
    match o.refused[..] {
        [] => {
            assert_eq!(o.accepted.len(), 1);
            Ok(())
        }
        [reason] => Err(reason),
        _ => panic!("{o:?}"),
    }
}

#[test]
fn an_entry_is_written_with_the_lowest_version_that_holds_it() {
    let mut two = Pen::new(2, 1);
    let version = |e: &Entry| e.bytes()[121];
    assert_eq!(version(&two.entry(vec![setup("Coot", 300, vec![]), stage(1), claim(0, "Coot")])), 1);
    for op in second(vec![]) {
        assert_eq!(version(&two.entry(vec![op.clone()])), 2, "{op:?}");
        assert_eq!(version(&two.entry(vec![stage(1), op])), 2);
    }
    for op in third(vec![]) {
        assert_eq!(version(&two.entry(second(vec![]).into_iter().chain([op]).collect())), 3);
    }
    for op in fourth(vec![]) {
        assert_eq!(version(&two.entry(third(vec![]).into_iter().chain([op]).collect())), 4);
    }
}

#[test]
fn all_of_it_reads_back_and_lies_in_the_survey_document() {
    let (mut r, mut two) = crew();
    let ops: Vec<Op> = second(vec![]).into_iter().chain(third(vec![])).chain(fourth(vec![])).collect();
    let entry = two.entry(ops.clone());
    assert_eq!(r.offer(&[entry.bytes().to_vec()]).accepted, [entry.id()]);
    let said = r.reading().survey.said;
    for ((n, _), op) in entry.writes().zip(&ops) {
        assert_eq!(said.get(&n).map(|s| &s.what), Some(op));
    }
    let keys = changes_of(&entry, &Limits::default());
    assert_eq!(keys.keys().collect::<Vec<_>>(), [&DocKey::Survey]);
    let shown = format!("{keys:?}");
    for start in [
        "verdict/",
        "water/",
        "gauge/jetty/",
        "river/",
        "rename/Coot/",
        "series/jetty/",
        "levelling/",
        "shore/",
        "standing/0808080808080808080808080808080808080808080808080808080808080808/",
        "secret/",
        "name/",
        "adopt/",
        "mark/",
    ] {
        assert!(shown.contains(&format!("\"{start}{}", entry.id().short())), "{start}: {shown}");
    }
}

#[test]
fn version_1_refuses_every_later_write() {
    for op in second(vec![]) {
        // As a program that knows only version 1 would: its layout has no such variant.
        assert_eq!(offered(1, &[stage(1), op.clone()]), Err(Refusal::Codec(CodecError::Layout)), "{op:?}");
        assert_eq!(offered(2, &[stage(1), op]), Ok(()));
    }
    for op in third(vec![]) {
        for older in [1, 2] {
            assert_eq!(
                offered(older, &[stage(1), op.clone()]),
                Err(Refusal::Codec(CodecError::Layout)),
                "{op:?}"
            );
        }
        assert_eq!(offered(3, &second(vec![]).into_iter().chain([op]).collect::<Vec<_>>()), Ok(()));
    }
    for op in fourth(vec![]) {
        assert_eq!(offered(3, &[stage(1), op.clone()]), Err(Refusal::Codec(CodecError::Layout)), "{op:?}");
        assert_eq!(offered(4, &[stage(1), op]), Ok(()));
    }
    assert_eq!(offered(2, &[stage(1)]), Ok(()), "version 2 holds what version 1 does");
    assert_eq!(body(&second(vec![]))[0], 2);
}

/// Every bound from both sides.
#[test]
fn bounds() {
    fn each(what: &str, ok: Op, bad: Op) {
        assert_eq!(offered(BODY_VERSION, &[ok]), Ok(()), "{what}: inside");
        assert_eq!(offered(BODY_VERSION, &[bad]), Err(Refusal::Unsound), "{what}: beyond");
    }
    let at = |x, y| GridPos::new(x, y).expect("on the grid");
    // The only way to a place off the grid is through bytes.
    let off: GridPos =
        leadline_logbook::decode(&encode(&(1u32 << 31, 0u32), 8).expect("small"), 8).expect("two numbers");
    let changed = |i: usize, f: &dyn Fn(&mut Op)| {
        let mut op = second(vec![]).swap_remove(i);
        f(&mut op);
        op
    };
    let verdict = |f: &dyn Fn(&mut leadline_model::Verdict)| {
        changed(0, &|op| {
            if let Op::Verdict { verdict, .. } = op {
                f(verdict)
            }
        })
    };
    let ring = |n: u32| verdict(&|v| v.scope = Scope::Area((0..n).map(|i| at(i, 5)).collect()));
    each("corners, few", ring(3), ring(2));
    each("corners, many", ring(1_000), ring(1_001));
    let corner = |p| verdict(&|v| v.scope = Scope::Area(vec![at(0, 0), at(1, 1), p]));
    each("corner on the grid", corner(at((1 << 31) - 1, 0)), corner(off));
    let cell = |x, y| verdict(&|v| v.scope = Scope::Cell(CellId { x, y }));
    each("cell", cell((1 << 23) - 1, 0), cell(1 << 23, 0));
    each("cell row", cell(0, (1 << 23) - 1), cell(0, 1 << 23));
    let (t0, t1) = (UtcMillis(1_788_000_000_000), UtcMillis(1_788_000_000_001));
    let stretch = |from, to| verdict(&|v| v.scope = Scope::Stretch { boat: text("Coot"), from, to });
    each("stretch", stretch(t0, t1), stretch(t0, t0));
    each("stretch's begin", stretch(UtcMillis(315_532_800_000), t1), stretch(UtcMillis(0), t1));
    let until = |t| verdict(&|v| v.until = UtcMillis(t));
    each("until", until(7_258_118_399_999), until(7_258_118_400_000));
    let filter = |mm: i32| verdict(&|v| (v.shoaler_than_mm, v.deeper_than_mm) = (Some(mm), Some(-mm)));
    each("filters", filter(10_000_000), filter(10_000_001));

    let cast = |f: &dyn Fn(&mut leadline_model::WaterCast)| {
        changed(3, &|op| {
            if let Op::Water { cast, .. } = op {
                f(cast)
            }
        })
    };
    each("cast's time", cast(&|_| ()), cast(&|c| c.at = UtcMillis(i64::MAX)));
    each("salinity", cast(&|c| c.salinity_centi = 5_000), cast(&|c| c.salinity_centi = 5_001));
    let temperature = |t| cast(&|c| c.layers[0].temp_centi = t);
    each("temperature", temperature(5_000), temperature(5_001));
    each("cold", temperature(-300), temperature(-301));
    each("growing", cast(&|c| c.layers[1].depth_mm = 1), cast(&|c| c.layers[1].depth_mm = 0));
    each("above the water", cast(&|c| c.layers[0].depth_mm = 0), cast(&|c| c.layers[0].depth_mm = -1));
    let layers = |n: i32| {
        let layer = |i| leadline_model::Layer { depth_mm: i, temp_centi: 900 };
        cast(&|c| c.layers = (0..n).map(layer).collect())
    };
    each("layers", layers(200), layers(201));
    assert_eq!(offered(2, &[layers(0)]), Ok(()), "a cast of salt alone");

    let gauge = |f: &dyn Fn(&mut leadline_model::Gauge)| {
        changed(4, &|op| {
            if let Op::Gauge { gauge, .. } = op {
                f(gauge)
            }
        })
    };
    each("zero", gauge(&|g| g.zero_mm = -10_000_000), gauge(&|g| g.zero_mm = -10_000_001));
    each("gauge's place", gauge(&|g| g.place = None), gauge(&|g| g.place = Some(off)));
    let river = |line: Vec<GridPos>| Op::River { line, replaces: vec![] };
    let along = |n: u32| river((0..n).map(|i| at(i, i)).collect());
    each("river, short", along(2), along(1));
    each("river, long", along(2_000), along(2_001));
    each("river on the grid", along(0), river(vec![at(0, 0), off]));

    let shore = |stage_mm: i32, rings: Vec<Vec<GridPos>>| Op::Shore {
        shore: Shoreline { stage_mm, rings },
        replaces: vec![],
    };
    let ring = |n: usize| (0..n as u32).map(|i| at(i, i * i % 97)).collect::<Vec<_>>();
    each("shore's stage", shore(10_000_000, vec![ring(3)]), shore(10_000_001, vec![ring(3)]));
    each("shore's ring, short", shore(0, vec![ring(3)]), shore(0, vec![ring(2)]));
    let (half, rest) = (MAX_SHORE_CORNERS / 2, MAX_SHORE_CORNERS - MAX_SHORE_CORNERS / 2);
    each(
        "shore's corners",
        shore(0, vec![ring(half), ring(rest)]),
        shore(0, vec![ring(half), ring(rest + 1)]),
    );
    each("shore's rings", shore(0, vec![ring(3); 500]), shore(0, vec![ring(3); 501]));
    each("shore on the grid", shore(0, vec![]), shore(0, vec![vec![at(0, 0), at(1, 0), off]]));

    let series = |first: i64, readings: Vec<(u32, i32)>| Op::Series {
        gauge: text("jetty"),
        from: text("record"),
        first: UtcMillis(first),
        readings,
        replaces: vec![],
    };
    let many = |n: usize| series(t0.0, (0..n).map(|i| (u32::from(i > 0) * 60, 7)).collect());
    each("readings", many(MAX_SERIES), many(MAX_SERIES + 1));
    each("no reading", many(1), many(0));
    each("first", series(t0.0, vec![(0, 1)]), series(t0.0, vec![(1, 1)]));
    each("growing times", series(t0.0, vec![(0, 1), (1, 1)]), series(t0.0, vec![(0, 1), (0, 1)]));
    each("level", series(t0.0, vec![(0, 10_000_000)]), series(t0.0, vec![(0, i32::MIN)]));
    each("begin", series(315_532_800_000, vec![(0, 1)]), series(0, vec![(0, 1)]));
    let end = 7_258_118_400_000;
    each("end", series(end - 2_000, vec![(0, 1), (1, 1)]), series(end - 2_000, vec![(0, 1), (2, 1)]));

    let level = |f: &dyn Fn(&mut leadline_model::Levelling)| {
        changed(8, &|op| {
            if let Op::Level { levelling, .. } = op {
                f(levelling)
            }
        })
    };
    each("offset", level(&|l| l.days[0].offset_mm = -10_000_000), level(&|l| l.days[0].offset_mm = i32::MIN));
    each("own95", level(&|l| l.days[0].own95_mm = 10_000_000), level(&|l| l.days[0].own95_mm = u32::MAX));
    each("pivot", level(&|l| l.days[0].pivot_mm = 12_000_000), level(&|l| l.days[0].pivot_mm = i32::MIN));
    each("day", level(&|l| l.days[0].day = 3_652), level(&|l| l.days[0].day = 3_651));
    each("boat's number", level(&|l| l.days[2].boat = 2), level(&|l| l.days[2].boat = 3));
    each("cluster's number", level(&|_| ()), level(&|l| l.days[2].cluster = 1));
    each("a day twice", level(&|l| l.days[1].boat = 1), level(&|l| l.days[1].boat = 0));
    each("order of days", level(&|_| ()), level(&|l| l.days.swap(0, 1)));
    each("order of boats", level(&|_| ()), level(&|l| l.boats.swap(0, 1)));
    each("a boat twice", level(&|_| ()), level(&|l| l.boats[1].boat = l.boats[0].boat.clone()));
    each(
        "lag",
        level(&|l| l.boats[0].lag_ms = Some(-60_000)),
        level(&|l| l.boats[0].lag_ms = Some(i32::MIN)),
    );
    each("lag95", level(&|l| l.boats[0].lag95_ms = 60_000), level(&|l| l.boats[0].lag95_ms = 60_001));
    let scale = |ppm| level(&|l| l.boats[0].scale_ppm = Some(ppm));
    each("scale", scale(-500_000), scale(i32::MIN));
    each(
        "scale95",
        level(&|l| l.boats[0].scale95_ppm = 500_000),
        level(&|l| l.boats[0].scale95_ppm = 500_001),
    );
    each("noise", level(&|l| l.boats[0].noise_percent = 1), level(&|l| l.boats[0].noise_percent = 0));
    let place = |v| level(&|l| l.boats[0].place_percent = v);
    each("place", place(10_000), place(10_001));
    let speed = |v| level(&|l| l.days[0].speed_mm_s = v);
    each("speed", speed(100_000), speed(100_001));
    let common = |mm| level(&|l| l.clusters[0].common95_mm = mm);
    each("common95", common(10_000_000), common(10_000_001));
    let replaced = |n: u16| {
        let nonce = leadline_model::Nonce([1; 16]);
        Op::Unlevel { replaces: (0..n).map(|n| leadline_logbook::WriteRef { nonce, n }).collect() }
    };
    each("replaced", replaced(1_024), replaced(1_025));
}

/// The longest of each kind fit an entry: what people can do can also be written down.
#[test]
fn the_fullest_fit_an_entry() {
    let limits = Limits::default();
    let long = "x".repeat(256);
    let mut days = levelling(1);
    days.days = (0..MAX_BOAT_DAYS as i32)
        .map(|i| leadline_model::DayLevel { day: 4_000 + i, ..days.days[0] })
        .collect();
    let series = Op::Series {
        gauge: text(&long),
        from: text(&long),
        first: UtcMillis(1_788_000_000_000),
        readings: (0..MAX_SERIES).map(|i| (u32::from(i > 0) * 900, 4_321)).collect(),
        replaces: vec![leadline_logbook::WriteRef { nonce: leadline_model::Nonce([9; 16]), n: 1 }; 1_024],
    };
    let fullest = [series, Op::Level { levelling: days, replaces: vec![] }];
    for op in fullest {
        let two = Pen::new(2, 1);
        let kind = format!("{op:?}").chars().take(6).collect::<String>();
        let entry = Entry::sign(&two.key, two.next_envelope(), vec![op], &limits);
        assert!(entry.is_ok_and(|e| e.bytes().len() <= limits.entry), "{kind}");
        assert_eq!(key(2).id(), two.id());
    }
}
