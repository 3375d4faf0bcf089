//! A meeting begun from the map page.

use super::lab::{LONG, Lab, wait_equal, wait_for};
use crate::home::two_boats;

#[test]
fn a_meeting_from_the_page() {
    let Some((_lab, h)) = Lab::with_hosts(2) else { return };
    let (heron, plover) = two_boats();
    let page = h[0].start(&heron, &["view", "--port", "8080", "--quiet"]);
    page.says("http://127.0.0.1:8080/", LONG);
    let other = h[1].start(&plover, &["sync"]);
    let ask = |what: &str| h[0].help("ask", &format!("127.0.0.1:8080 {what}")).says("answer ", LONG);
    let begun = ask("POST /api/meet");
    assert!(begun.contains("answer 200") && begun.contains("\"running\":true"), "{begun}");
    wait_equal(&[&heron, &plover], &[&page, &other]);
    wait_for("the page tells who was met and what moved", || {
        let told = ask("GET /api/meet");
        told.contains("\"state\":\"in step\"") && told.contains("\"meetings\":1")
    });
    // The chart follows by itself: the other boat's pass is there, as newly come.
    wait_for("the page shows what came", || {
        let chart = ask("GET /api/chart");
        chart.contains("\"name\":\"Plover\"") && chart.contains("\"fresh\":true")
    });
}
