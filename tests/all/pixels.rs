//! The map as pixels, by the real program.

use crate::chart_tools::flat_mere;
use crate::chart_tools::number;

#[test]
fn every_pixel_format_says_what_it_wrote() {
    let d = flat_mere();
    /// Name, what is asked for beside it, first bytes, words of the answer.
    type Start<'a> = (&'a str, &'a [&'a str], &'a [u8], &'a [&'a str]);
    let starts: [Start<'_>; 4] = [
        ("surface", &["-o", "a.tif"], b"II*\0", &[]),
        ("surface", &["-o", "b.asc", "--safe"], b"NCOLS ", &["b.prj", "b.asc.txt"]),
        ("picture", &["-o", "c.png", "--step", "0.5"], b"\x89PNG", &["c.pgw", "c.png.aux.xml"]),
        ("tiles", &["-o", "d.pmtiles"], b"PMTiles\x03", &[]),
    ];
    for (what, args, magic, beside) in starts {
        let said = d.json(&[&["export", what, "--stage", "0.25"], args].concat());
        let path = said["path"].as_str().expect("a path");
        let bytes = std::fs::read(d.file(path)).expect("written");
        assert!(bytes.starts_with(magic), "{path}");
        assert_eq!(number(&said["bytes"]) as usize, bytes.len());
        assert_eq!(number(&said["stage_m"]), 0.25);
        assert!(number(&said["pixel_m"]) > 0.1);
        let names: Vec<&str> =
            said["beside"].as_array().expect("a list").iter().filter_map(|v| v.as_str()).collect();
        assert_eq!(names, beside);
        for name in names {
            assert!(d.file(name).exists(), "{name}");
        }
        d.run(&[&["export", what], args].concat()).says(0, &[path, "pixels of", "sounding datum"]);
    }
}

#[test]
fn a_smaller_pixel_is_a_cell_halved() {
    let d = flat_mere();
    let side = |metres: &str| {
        number(&d.json(&["export", "surface", "-o", "s.tif", "--resolution", metres])["pixel_m"])
    };
    let (fine, cell, coarse) = (side("2"), side("4"), side("7"));
    // 4.77731 m of Pseudo-Mercator (OGC registry, WebMercatorQuad) at 48.21 degrees north.
    assert!((cell - 3.189).abs() < 0.002, "{cell}");
    assert!((fine * 2.0 - cell).abs() < 1e-9 && (coarse - 2.0 * cell).abs() < 1e-9, "{fine} {cell} {coarse}");
}

#[test]
fn refusals_leave_nothing_behind() {
    let d = flat_mere();
    for (args, words) in [
        (&["surface", "-o", "x.zip"][..], &[".tif", "--as"][..]),
        (&["surface", "-o", "x.tif", "--safe"], &["beside"]),
        (&["surface", "-o", "x.tif", "--resolution", "0"], &["pixels of 0 m"]),
        (&["picture", "-o", "x.jpg"], &[".png"]),
        (&["picture", "-o", "x.png", "--step", "-1"], &["--step"]),
        (&["tiles", "-o", "x.mbtiles"], &[".pmtiles"]),
        (&["tiles", "-o", "x.pmtiles", "--stage", "nan"], &["stage"]),
    ] {
        d.run(&[&["export"], args].concat()).says(1, words);
        for ending in ["zip", "tif", "jpg", "png", "pgw", "mbtiles", "pmtiles"] {
            assert!(!d.file(&format!("x.{ending}")).exists(), "{args:?}");
        }
    }
}
