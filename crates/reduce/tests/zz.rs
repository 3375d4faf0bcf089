mod waters;
use leadline_model::Digest;
use leadline_reduce::level;
use waters::{Kind, Options, Water};
#[test]
fn look() {
    for seed in [0u64, 1, 3] {
        let Water { input, truth } = Water::draw(
            seed,
            Kind::Budget(Options { ungauged_day: true, unknown_level95_m: Some(3.0), ..Options::default() }),
        );
        let p = level(input.clone(), Digest([0; 32]));
        println!("crossings {} near {} before {:?}\n after {:?}", p.crossings, p.near, p.before, p.after);
        for (f, l) in p.days.iter().zip(&p.levelling.days) {
            let t = truth.offset(f.boat.as_str(), f.day)
                + truth.scale(f.boat.as_str()) * f64::from(l.pivot_mm) / 1000.0;
            println!(
                "{} {} known {} cluster {} offset {:+.3} true {:+.3} ±{:.3} prior {:.3} n {} own {} common {:?} pivot {} v {}",
                f.boat,
                f.day,
                f.known,
                f.cluster,
                f.offset_m,
                t,
                f.uncertainty95_m,
                f.prior95_m,
                f.crossings,
                l.own95_mm,
                p.levelling.clusters[l.cluster as usize],
                l.pivot_mm,
                l.speed_mm_s
            );
        }
        for b in &p.boats {
            println!(
                "{} lag {:?} true {} scale {:?} true {}",
                b.boat,
                b.lag,
                truth.lag_s(b.boat.as_str()),
                b.scale,
                truth.scale(b.boat.as_str())
            );
        }
        println!("{:?}", p.levelling.boats);
    }
}
