//! The demo, whole, by the real program: its map against the true bed.

use crate::home::Device;

#[test]
fn demo_maps_the_invented_bed() {
    let d = Device::new();
    let ran = d.json(&["demo", "-o", "demo"]);
    let t = &ran["truth"];
    let n = |key: &str| t[key].as_f64().unwrap_or_else(|| panic!("{key} in {t}"));
    println!(
        "{} places: bias {:+.4} m, RMSE {:.4} m, {:.2} % inside, mean band {:.3} m, true 95 % error {:.3} m",
        n("places"),
        n("bias_m"),
        n("rmse_m"),
        n("inside") * 100.0,
        n("mean_band_m"),
        n("error95_m")
    );
    assert!(n("places") > 10_000.0, "{t}");
    assert!(n("bias_m").abs() < 0.03, "{t}");
    assert!(n("rmse_m") < 0.12, "{t}");
    assert!(n("inside") >= 0.93, "{t}");
    assert!(n("mean_band_m") <= 3.0 * n("error95_m"), "{t}");
    // The boat-day without a gauge reading ends within 5 cm of its true level, and within what it states.
    let day = &ran["levelling"]["ungauged"];
    let (error, u95) = (day["error_m"].as_f64().expect("an error"), day["u95_m"].as_f64().expect("a band"));
    println!("ungauged day: {day}");
    assert!(error.abs() < 0.05 && error.abs() < u95 && u95 < 0.15, "{day}");
    assert_eq!(ran["same_everywhere"], true);
    let digests = ["heron", "plover", "laptop"].map(|h| {
        let home = d.file(&format!("demo/{h}"));
        d.run(&["--home", home.to_str().expect("UTF-8"), "status", "--json"]).json()["digest"].clone()
    });
    assert!(digests.iter().all(|g| *g == ran["digest"]), "{digests:?} {}", ran["digest"]);
    for (file, magic) in [
        ("chart.png", &b"\x89PNG"[..]),
        ("chart.svg", b"<svg"),
        ("contours.geojson", b"{"),
        ("cells.csv", b"lon,lat,"),
    ] {
        let bytes = std::fs::read(d.file(&format!("demo/{file}"))).expect(file);
        assert!(bytes.windows(magic.len()).take(200).any(|w| w == magic), "{file}");
    }
    // Again into the same folder: refused, nothing written over.
    d.run(&["demo", "-o", "demo"]).says(1, &["not empty"]);
}
