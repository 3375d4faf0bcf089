//! The chart as one file.

use crate::home::{Device, small_log};

#[test]
fn a_pocket_chart_is_one_file_that_loads_nothing() {
    let d = Device::new();
    d.found("Test <mere>");
    d.import(&d.write("a.nmea", small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    let told = d.json(&["chart", "-o", "pocket.html"]);
    let html = std::fs::read_to_string(d.file("pocket.html")).expect("written");
    assert_eq!(told["bytes"].as_u64().expect("a size"), html.len() as u64);
    assert!(told["max_zoom"].as_u64().expect("a zoom") >= 16);
    let (_, rest) = html.split_once("id=\"leadline-pocket\">").expect("the data");
    let (text, _) = rest.split_once("</script>").expect("their end");
    let data: serde_json::Value = serde_json::from_str(text).expect("JSON");
    assert_eq!(data["chart"]["survey"]["name"], "Test <mere>");
    assert_eq!(data["chart"]["may_write"], false);
    assert!(data["tiles"].as_object().expect("tiles").len() > 3);
    let (_, still) = html.split_once("<noscript>").expect("a still picture");
    let (still, _) = still.split_once("</noscript>").expect("its end");
    for word in ["<svg", "Scripts are switched off", "not for navigation"] {
        assert!(still.contains(word), "{word}");
    }
    assert!(html.contains("default-src 'none'"));
    d.run(&["chart", "-o", "pocket.html"]).says(0, &["MB"]);
    let again = std::fs::read_to_string(d.file("pocket.html")).expect("written");
    assert!(again == html, "same entries, same file");
}
