//! A member of the crew that has turned: a device that was stolen, with its key, its secret and a program of its own.
//! The store it comes to is a real one in a real process.

use super::memory::{grown, high};
use crate::home::{Device, Listener, small_log_on};
use leadline_logbook::{BODY_VERSION, DeviceKey, Envelope, Limits, Signs, encode, entry_id, pack};
use leadline_model::{Digest, EntryId, Epoch, Nonce, SurveyId, UtcMillis};
use leadline_net::{Event, Node, Settings, Who, parse_addr};
use leadline_survey::{Home, SurveyDesk};
use leadline_sync::{Answer, Binding, Config, Desk, DeskError, Holdings, Question};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

/// Entries that it makes up in one meeting: 64 MiB of them.
const INVENTED: usize = 1024;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Attack {
    /// Good entries as large as they may be, of a logbook whose beginning nobody gets.
    Waiting,
    /// The same with a wrong signature.
    Forged,
    /// In place of strips, what unpacks to 64 MiB.
    Bombs,
}

struct Traitor {
    desk: SurveyDesk,
    attack: Attack,
    made_up: BTreeMap<EntryId, Vec<u8>>,
    bomb: Vec<u8>,
}

impl Traitor {
    fn new(home: &Home, survey: SurveyId, attack: Attack, turn: u8) -> Self {
        let key = DeviceKey::from_seed(&home.key().seed());
        let invent = |n| {
            let bytes = entry(&key, survey, turn, n, attack == Attack::Forged);
            (entry_id(&bytes).expect("long enough"), bytes)
        };
        let count = if attack == Attack::Bombs { 0 } else { INVENTED };
        let made_up = (0..count).map(invent).collect();
        let bomb = pack(&vec![turn; 64 << 20]).expect("packs");
        Self { desk: SurveyDesk::new(home, survey).expect("a desk"), attack, made_up, bomb }
    }
}

/// As large as an entry may be: of a body that only later programs read, which may have any length.
fn entry(key: &DeviceKey, survey: SurveyId, turn: u8, n: usize, is_forged: bool) -> Vec<u8> {
    let place = (key.id(), Epoch([turn; 8]), n as u64 + 2);
    let (prev, nonce) = (EntryId([n as u8 | 1; 32]), Nonce([turn; 16]));
    let envelope = Envelope::new(survey, place, prev, nonce, UtcMillis(1_800_000_000_000));
    let mut bytes = encode(&envelope, 1 << 10).expect("small");
    bytes.resize(Limits::default().entry - 64, BODY_VERSION + 1);
    let mut signature = key.sign(Signs::Entry, &[&bytes]).to_vec();
    signature[0] ^= u8::from(is_forged);
    bytes.extend(signature);
    bytes
}

impl Desk for Traitor {
    fn open(&self, binding: Binding) -> Result<(Config, Holdings), DeskError> {
        let (config, held) = self.desk.open(binding)?;
        // Never "the same as yours".
        Ok((config, Holdings { digest: Digest([self.attack as u8 + 1; 32]), ..held }))
    }

    fn answer(&self, question: Question) -> Result<Answer, DeskError> {
        match question {
            Question::Missing(_) if self.attack != Attack::Bombs => {
                Ok(Answer::Missing(self.made_up.keys().copied().collect()))
            }
            Question::Entries { ids, max_bytes } if self.attack != Attack::Bombs => {
                let fit = max_bytes / Limits::default().entry;
                Ok(Answer::Items(
                    ids.iter().take(fit.max(1)).map(|id| self.made_up.get(id).cloned()).collect(),
                ))
            }
            Question::Strips { keys, max_bytes } if self.attack == Attack::Bombs => {
                let fit = (max_bytes / self.bomb.len()).max(1);
                Ok(Answer::Items(keys.iter().take(fit).map(|_| Some(self.bomb.clone())).collect()))
            }
            other => self.desk.answer(other),
        }
    }
}

/// One meeting with the traitor, to whatever end. How it ended, in words.
fn meet(traitor: Traitor, secret: [u8; 32], address: &str) -> String {
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    runtime.block_on(async {
        let (events, mut came) = tokio::sync::mpsc::channel(64);
        let settings = Settings {
            secret,
            listen: Vec::new(),
            find: false,
            again: None,
            shy: false,
            who: Who::default(),
        };
        let node = Node::start(settings, Arc::new(traitor), events).expect("starts");
        node.dial(parse_addr(address).expect("an address")).await;
        let ended = async {
            while let Some(event) = came.recv().await {
                match event {
                    Event::Met { summary, .. } => return format!("met, {} bytes sent", summary.bytes_sent),
                    Event::Failed { why, .. } => return why.to_string(),
                    _ => {}
                }
            }
            "gone".to_owned()
        };
        tokio::time::timeout(Duration::from_secs(120), ended).await.expect("it ends in time")
    })
}

#[test]
fn a_member_that_has_turned_costs_little_and_harms_nothing() {
    let (heron, plover, traitor) = (Device::new(), Device::new(), Device::new());
    let survey: SurveyId = heron.found("Testmere").parse().expect("an id");
    heron.import(&heron.write("a.nmea", small_log_on(1, 1500, |s| 4.0 + f64::from(s % 300) * 0.01)), "Heron");
    plover.join(&heron);
    traitor.join(&heron);
    let listener = Listener::start(&heron);
    for d in [&plover, &traitor] {
        d.run(&["sync", "--with", &listener.address, "--once"]).says(0, &[]);
    }
    let rest = high(listener.pid());
    // Measured by it, not given yet: its strips will be asked for.
    let log = small_log_on(2, 3600, |s| 4.0 + f64::from(s % 270) * 0.01);
    traitor.import(&traitor.write("t.nmea", log), "Tern");
    let home = Home::open(Some(&traitor.home())).expect("opens");
    let secret = home.secret(&survey).expect("a secret");
    for (turn, attack) in [Attack::Waiting, Attack::Forged, Attack::Waiting, Attack::Bombs, Attack::Bombs]
        .into_iter()
        .enumerate()
    {
        let member = Traitor::new(&home, survey, attack, turn as u8 + 1);
        let ended = meet(member, secret, &listener.address);
        println!("{attack:?}: {ended}");
    }
    // It has not fallen, what it holds is whole, and the crew goes on.
    plover
        .import(&plover.write("b.nmea", small_log_on(3, 600, |s| 4.1 + f64::from(s % 250) * 0.01)), "Plover");
    let met = plover.run(&["sync", "--with", &listener.address, "--once"]);
    println!("{}{}", met.out, met.err);
    met.says(0, &[]);
    let Some(rest) = rest else {
        println!("memory not measured: the kernel does not tell a process's");
        return;
    };
    grown(listener.pid(), rest, "a member that has turned");
    drop(listener);
    heron.run(&["verify"]).says(0, &["Everything is whole"]);
    let (a, b) = (heron.json(&["status"]), plover.json(&["status"]));
    assert_eq!(a["digest"], b["digest"], "{a} {b}");
    assert_eq!(a["boats"], b["boats"]);
}
