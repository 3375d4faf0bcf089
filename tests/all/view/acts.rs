//! What the page writes.

use super::http::Server;
use crate::home::{Device, small_log, small_log_on};
use leadline_survey::Home;
use serde_json::{Value, json};

fn one_boat() -> Device {
    let d = Device::new();
    d.found("Testmere");
    d.import(&d.write("a.nmea", small_log(1500, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    d
}

fn first_place(server: &Server) -> [f64; 2] {
    let v = server.get("/api/layer/passes").json();
    let p = &v["features"][0]["geometry"]["coordinates"][0];
    [0, 1].map(|i| p[i].as_f64().expect("degrees"))
}

#[test]
fn leave_out_and_take_back() {
    let d = one_boat();
    let server = Server::ready(&d);
    let [lon, lat] = first_place(&server);
    let touch = |server: &Server| server.get(&format!("/api/touch?lon={lon}&lat={lat}")).json();
    assert_eq!(touch(&server)["basis"], "cell");
    let before = server.get("/api/chart").json()["version"].as_str().expect("a version").to_owned();
    let act = json!({"scope": {"cell": [lon, lat]}, "why": "a passing boat"});
    let done = server.post("/api/leave-out", &act);
    assert_eq!(done.status, 200, "{}", done.json());
    let id = done.json()["id"].as_str().expect("an id").to_owned();
    let chart = server.wait_for(&before);
    assert_ne!(touch(&server)["basis"], "cell");
    let list = server.get("/api/decisions").json();
    assert_eq!(list["decisions"][0]["why"], "a passing boat");
    assert_eq!(list["decisions"][0]["id"], id.as_str());
    assert_eq!(
        d.json(&["leave-out", "--list"])["verdicts"][0]["why"],
        "a passing boat",
        "as the command lists it"
    );
    server.post("/api/take-back", &json!({"id": id, "why": "it was none"})).json();
    server.wait_for(chart["version"].as_str().expect("a version"));
    assert_eq!(touch(&server)["basis"], "cell");
    for (body, word) in [
        (json!({"why": "x"}), "what"),
        (json!({"scope": {"cell": [lon, lat]}}), "why"),
        (json!({"scope": {"cell": [200, 0]}, "why": "x"}), "200"),
        (json!({"scope": {"area": [[1, 1], [1, 2]]}, "why": "x"}), "corners"),
        (json!({"scope": {"boat": "Heron", "from": "2026-05-02", "to": "2026-05-01"}, "why": "x"}), "before"),
    ] {
        server.post("/api/leave-out", &body).refuses(400, &[word]);
    }
    let area: Vec<Value> = (0..1001).map(|i| json!([7.0 + f64::from(i) * 1e-6, 48.0])).collect();
    server.post("/api/leave-out", &json!({"scope": {"area": area}, "why": "x"})).refuses(400, &["1001"]);
    server
        .post("/api/take-back", &json!({"id": "ffffffff", "why": "x"}))
        .refuses(422, &["nothing to take back"]);
    server.post_bytes("/api/leave-out", b"{\"scope\":").refuses(400, &["JSON"]);
}

#[test]
fn marks_and_stages() {
    let d = one_boat();
    let server = Server::ready(&d);
    let [lon, lat] = first_place(&server);
    let mark = json!({"lon": lon, "lat": lat, "kind": "hazard", "name": "the <b>wreck</b>", "depth_m": 0.8, "share": false});
    let made = server.post("/api/mark", &mark).json();
    let id = made["id"].as_str().expect("an id").to_owned();
    assert_eq!((&made["shared"], &made["depth_m"]), (&json!(false), &json!(0.8)));
    assert_eq!(
        server.get(&format!("/api/touch?lon={lon}&lat={lat}")).json()["near_mark"]["name"],
        "the <b>wreck</b>"
    );
    assert_eq!(server.post("/api/mark/share", &json!({"id": id})).json()["shared"], true);
    let layer = server.get("/api/layer/marks").json();
    assert_eq!(layer["features"][0]["properties"]["shared"], true);
    let shared = layer["features"][0]["properties"]["id"].as_str().expect("an id").to_owned();
    server.post("/api/mark/remove", &json!({"id": shared})).json();
    assert_eq!(server.get("/api/layer/marks").json()["features"], json!([]));
    server
        .post("/api/mark", &json!({"lon": 0, "lat": 0, "kind": "wreck", "name": "x"}))
        .refuses(400, &["kind"]);
    server.post("/api/stage", &json!({"level_m": 0.42, "at": "2026-05-01T09:00Z", "gauge": "ramp"})).json();
    assert_eq!(d.json(&["stage", "show"])["stages"][0]["level_m"], 0.42);
    server.post("/api/stage", &json!({"level_m": "high"})).refuses(400, &["level_m"]);
    server.post("/api/stage", &json!({"level_m": 1e9})).refuses(400, &["level_m"]);
}

#[test]
fn logs_and_parcels_by_hand() {
    let d = one_boat();
    let server = Server::ready(&d);
    let log = small_log_on(4, 900, |s| 5.0 + f64::from(s % 90) * 0.01);
    let broken = format!("{log}$GPGGA,broken*00\r\nnot a line\r\n");
    let done = server.post_bytes("/api/import?name=day4.nmea&boat=Plover", broken.as_bytes()).json();
    assert!(done["soundings"].as_u64().expect("a number") > 500, "{done}");
    let problems = done["problems"].as_array().expect("a list");
    assert!(!problems.is_empty(), "{done}");
    assert!(problems.iter().all(|p| p["lines"][0]["line"].as_u64().is_some_and(|l| l > 0)), "{done}");
    let again = server.post_bytes("/api/import?name=day4.nmea&boat=Plover", broken.as_bytes()).json();
    assert_eq!(again["known"], again["legs"], "nothing twice");
    server.post_bytes("/api/import?name=x&boat=", b"x").refuses(400, &["boat"]);
    let empty = server.post_bytes("/api/import?name=x.txt&boat=Heron", b"hello").json();
    assert!(empty["nothing"].is_string(), "{empty}");
    // The second copy: out of one device, into another of the crew.
    let laptop = Device::new();
    laptop.join(&d);
    let parcel = server.get("/api/parcel");
    assert!(parcel.header("content-disposition").expect("a name").contains("Testmere.parcel"));
    let other = Server::start(&laptop, &[]);
    let took = other.post_bytes("/api/parcel", &parcel.body).json();
    assert_eq!(took["whole"], true, "{took}");
    assert!(took["strips_new"].as_u64().expect("a number") > 0);
    assert_eq!(laptop.digest(), d.digest());
    let half = other.post_bytes("/api/parcel", &parcel.body[..parcel.body.len() / 2]);
    assert!(
        half.status == 200 && half.json()["whole"] == json!(false) || half.status == 422,
        "{}",
        half.json()
    );
    other.post_bytes("/api/parcel", b"no parcel at all").refuses(422, &["parcel"]);
    let left = std::fs::read_dir(laptop.home().join("incoming")).expect("the folder").count();
    assert_eq!(left, 0, "nothing that was handed over is left behind");
}

/// A phone's page gives the backup, and the page of the phone after it takes it; so does the command.
#[test]
fn a_backup_by_hand() {
    let d = one_boat();
    d.run(&["mark", "add", "waypoint", "7.4131,48.2101", "--name", "my own spot"]).says(0, &[]);
    let server = Server::ready(&d);
    let words = json!({"passphrase": " cold hands at dawn "});
    let made = server.post("/api/backup", &words);
    assert!(made.header("content-disposition").expect("a name").contains(".backup"), "{:?}", made.status);
    let open = server.post("/api/backup", &json!({}));
    assert_eq!((made.status, open.status), (200, 200));
    let asked = server.post("/api/backup", &json!({"with_key": true}));
    let seed = Home::open(Some(&d.home())).expect("opens").key().seed();
    let hex: String = seed.iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(asked.status, 200);
    for body in [&open.body, &asked.body] {
        assert!(!body.windows(64).any(|w| w == hex.as_bytes()), "the key is in no backup of the page's");
    }
    server.post("/api/backup", &json!({"passphrase": "a\nb"})).refuses(400, &["one line"]);

    let phone = Device::new();
    phone.found("Nearwater");
    let other = Server::start(&phone, &[]);
    other.post_bytes("/api/backup/restore", &made.body).refuses(422, &["locked", "passphrase"]);
    other.post_bytes("/api/backup/restore", &made.body[..made.body.len() / 2]).refuses(422, &["passphrase"]);
    let cut = &open.body[..open.body.len() - 9];
    other.post_bytes("/api/backup/restore", cut).refuses(422, &["Nothing was restored"]);
    other.post_bytes("/api/backup/restore", b"no backup at all").refuses(422, &["backup"]);
    let put = |words: &str| {
        let origin = format!("Origin: http://{}", other.at);
        let words = format!("X-Leadline-Words: {words}");
        other.request("POST /api/backup/restore", &[&origin, "X-Leadline: 1", &words], &made.body)
    };
    put("warm%20hands").refuses(422, &["passphrase"]);
    let surveys = |d: &Device| d.json(&["survey", "list"])["surveys"].as_array().expect("a list").len();
    assert_eq!(surveys(&phone), 1, "nothing came of what was refused");
    let told = put("cold%20hands%20at%20dawn").json();
    assert_eq!((&told["as_it_was"], &told["marks_new"]), (&true.into(), &1.into()), "{told}");
    assert_eq!(surveys(&phone), 2);
    assert_eq!(put("cold%20hands%20at%20dawn").json()["entries_new"], 0, "nothing twice");
    let left = std::fs::read_dir(phone.home().join("incoming")).expect("the folder").count();
    assert_eq!(left, 0, "nothing that was handed over is left behind");

    let laptop = Device::new();
    laptop.write("words.txt", "cold hands at dawn\n");
    laptop.write("phone.backup", &made.body);
    laptop
        .run(&["restore", "phone.backup", "--passphrase-file", "words.txt"])
        .says(0, &["exactly as it was"]);
    assert_eq!(laptop.digest(), d.digest());
}

#[test]
fn levelling_from_the_page() {
    let d = one_boat();
    let server = Server::ready(&d);
    let found = server.get("/api/level");
    if found.status == 200 {
        let v = found.json();
        assert!(v["crossings"].as_u64().is_some_and(|n| n > 0) && v["before"]["boat_day"].is_object(), "{v}");
        assert_eq!(server.post("/api/level", &json!({"apply": true})).json()["applied"], true);
        assert_eq!(server.post("/api/level", &json!({"undo": true})).json()["undone"], true);
    } else {
        found.refuses(404, &["cross"]);
    }
    server.post("/api/level", &json!({})).refuses(400, &["apply or undo"]);
    server.post("/api/level", &json!({"apply": true, "undo": true})).refuses(400, &["apply or undo"]);
}

#[test]
fn an_invite_from_the_page() {
    let d = one_boat();
    let server = Server::ready(&d);
    let state = server.get("/api/meet").json();
    assert_eq!((&state["running"], &state["near"]), (&json!(false), &json!([])));
    let made = server.post("/api/invite", &json!({"role": "contributor"})).json();
    assert!(made["qr_svg"].as_str().expect("a picture").starts_with("<svg"));
    let phone = Device::new();
    phone.run(&["crew", "join", made["text"].as_str().expect("an invite")]).says(0, &[]);
    server.post("/api/invite", &json!({"role": "admiral"})).refuses(400, &["admiral"]);
}
