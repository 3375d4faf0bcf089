//! `/api/backup`: a second copy of all this device holds, and one that is put back. Both are acts, so the door for the
//! local network does not give them: a backup holds private marks, and what is kept back near home.

use crate::acts::body;
use crate::answer::{Keep, file, file_name, json as answer};
use crate::asked;
use crate::refusal::Refusal;
use crate::site::Site;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use leadline_survey::{BackupRequest, Restored, RestoredSurvey, backup_bytes, restore_bytes};
use serde_json::{Value, json};
use std::sync::Arc;

/// Largest backup made in memory, bytes.
const MOST: u64 = 512 << 20;
/// Longest passphrase, bytes.
const WORDS_MAX: usize = 1024;
/// The header with the passphrase of a backup that is put back, percent-encoded.
const WORDS: &str = "x-leadline-words";

/// `POST /api/backup`: `{"passphrase": "..."}` locks it. The device's key is never in it.
pub(crate) async fn make(State(site): State<Arc<Site>>, bytes: Bytes) -> Result<Response, Refusal> {
    let body = body(&bytes)?;
    let passphrase = match &body["passphrase"] {
        Value::Null => None,
        Value::String(s) => Some(words(s)?),
        _ => return Err(Refusal::bad("the passphrase is no text", "give words")),
    };
    let now = asked::now();
    let request = BackupRequest {
        passphrase: passphrase.filter(|p| !p.is_empty()),
        now,
        program: env!("CARGO_PKG_VERSION").to_owned(),
        ..BackupRequest::default()
    };
    let (bytes, name) = site
        .work(move |site| {
            let (home, _) = site.open()?;
            let device = home.device_name()?;
            let bytes = backup_bytes(&home, &request, MOST)?;
            Ok((bytes, file_name(&format!("{}-{}", device.as_str(), now.date_text()), "backup")))
        })
        .await?;
    Ok(file("application/octet-stream", &name, bytes))
}

/// `POST /api/backup/restore`
pub(crate) async fn put_back(
    State(site): State<Arc<Site>>,
    headers: HeaderMap,
    bytes: Bytes,
) -> Result<Response, Refusal> {
    let said = headers.get(WORDS).and_then(|v| v.to_str().ok());
    let words = said.map(|s| words(&decoded(s))).transpose()?.filter(|w| !w.is_empty());
    let value = site
        .work(move |site| {
            let (home, _) = site.open()?;
            Ok(told(&restore_bytes(&home, &bytes, words.as_deref())?))
        })
        .await?;
    site.look_now.notify_one();
    Ok(answer(&headers, &value, Keep::No))
}

/// A passphrase as a file gives it too: without blanks around it.
fn words(said: &str) -> Result<String, Refusal> {
    if said.len() > WORDS_MAX || said.contains(['\n', '\r', '\0']) {
        return Err(Refusal::bad(
            "the passphrase is too long or has several lines",
            "give one line of words",
        ));
    }
    Ok(said.trim().to_owned())
}

/// Percent-decoded (RFC 3986, 2.1); what is no UTF-8 is replaced, and then no passphrase.
fn decoded(said: &str) -> String {
    let (mut out, mut rest) = (Vec::new(), said.as_bytes());
    while let Some((first, after)) = rest.split_first() {
        let two = (*first == b'%').then(|| after.get(..2)).flatten();
        let byte = two.and_then(|d| u8::from_str_radix(std::str::from_utf8(d).ok()?, 16).ok());
        out.push(byte.unwrap_or(*first));
        rest = if byte.is_some() { &after[2..] } else { after };
    }
    String::from_utf8_lossy(&out).into_owned()
}

fn told(r: &Restored) -> Value {
    let sum = |f: fn(&RestoredSurvey) -> u64| r.surveys.iter().map(f).sum::<u64>();
    json!({
        "as_it_was": r.surveys.iter().all(|s| s.as_it_was), "surveys": r.surveys.len(),
        "entries_new": sum(|s| s.accepted.entries as u64), "entries_known": sum(|s| s.accepted.known as u64),
        "strips_new": sum(|s| s.accepted.strips as u64), "marks_new": sum(|s| s.marks as u64),
        "lacking": sum(|s| s.lacking), "made_by": r.from_name,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passphrases_come_as_they_were_typed() {
        assert_eq!(decoded("cold%20hands%20%C3%BC"), "cold hands ü");
        assert_eq!(decoded("100%"), "100%");
        assert_eq!(decoded("%zz%4"), "%zz%4");
        assert_eq!(words(" two words ").expect("words"), "two words");
        assert!(words("a\nb").is_err() && words(&"x".repeat(1025)).is_err());
    }
}
