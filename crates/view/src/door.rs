//! Doors: who may ask, and what.
//!
//! The page listens on the loopback address, or for the local network. What comes must have dialled the address it
//! names (`Host`), or a foreign site's name that leads here could ask in a visitor's browser; must come from the page
//! itself if it says where from (`Origin`); and for the local network must show the key of a browser that was let in.
//! Acts need a header no foreign site can send without asking first, and are refused through the network's door:
//! plain HTTP can be read by others there, and what can be read can be repeated.

use crate::asked;
use crate::pace::Wire;
use crate::refusal::Refusal;
use crate::site::Site;
use axum::body::{Body, to_bytes};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use leadline_model::{Digest, Text, escaped};
use leadline_survey::{Door, Home};
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::Semaphore;

/// Requests answered at once.
const MOST: usize = 64;
/// Longest address with its query.
const MOST_ADDRESS: usize = 8 << 10;
/// Largest body of an act.
const MOST_BODY: usize = 256 << 10;
/// Largest log or parcel.
pub(crate) const MOST_FILE: usize = 64 << 20;
/// Logs and parcels taken at once.
const MOST_FILES: usize = 2;
/// Longest wait for an act's body.
const BODY_WAIT: Duration = Duration::from_secs(20);
/// Longest wait for a file: 64 MiB at the speed of a poor hotspot.
const FILE_WAIT: Duration = Duration::from_secs(300);
/// Longest wait for a place among the requests answered at once.
const PLACE_WAIT: Duration = Duration::from_secs(10);
/// How long what the home says of doors is believed.
const BELIEVED: Duration = Duration::from_secs(1);
/// Cookie of a browser that was let in.
const COOKIE: &str = "leadline_door";
/// A browser stays let in so long, seconds: thirty days, or until it is shut out.
const COOKIE_AGE: u32 = 30 * 86_400;

/// The page may load nothing but its own files.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// The doors of one run.
pub(crate) struct Doors {
    home: PathBuf,
    /// For the local network: digest of the key in the link. Whoever has the link can be let in while this runs.
    knock: Option<Digest>,
    believed: Mutex<Option<(Instant, Vec<Door>)>>,
    places: Semaphore,
    /// Files held in memory at once.
    files: Semaphore,
}

impl Doors {
    pub(crate) fn new(home: PathBuf, knock: Option<&str>) -> Self {
        let knock = knock.map(digest);
        Self {
            home,
            knock,
            believed: Mutex::new(None),
            places: Semaphore::new(MOST),
            files: Semaphore::new(MOST_FILES),
        }
    }

    fn is_lan(&self) -> bool {
        self.knock.is_some()
    }

    /// Whether a browser with this key was let in and not shut out since. Blocking.
    fn knows(&self, key: &str) -> bool {
        let Ok(mut believed) = self.believed.lock() else { return false };
        let fresh = believed.as_ref().is_some_and(|(at, _)| at.elapsed() < BELIEVED);
        if !fresh {
            let doors = Home::open(Some(&self.home)).and_then(|h| h.doors()).unwrap_or_default();
            *believed = Some((Instant::now(), doors));
        }
        let key = digest(key);
        believed.as_ref().is_some_and(|(_, doors)| doors.iter().any(|d| d.key == key))
    }

    /// Lets a browser in: its key. Blocking.
    fn let_in(&self, name: &str) -> Result<String, Refusal> {
        let key = random_key();
        let name = Text::new(&escaped(name).chars().take(80).collect::<String>())
            .or_else(|_| Text::new("a browser"))
            .map_err(|_| Refusal::broken())?;
        Home::open(Some(&self.home))?.open_door(name, digest(&key), asked::now())?;
        if let Ok(mut believed) = self.believed.lock() {
            *believed = None;
        }
        Ok(key)
    }
}

/// 128 random bits as hexadecimal digits.
pub(crate) fn random_key() -> String {
    let mut bytes = [0u8; 16];
    // Without random bytes there is no key, and so no door.
    getrandom::fill(&mut bytes).expect("the operating system gives random bytes");
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Keys are compared by their digests, which takes no longer for a key that is nearly right.
fn digest(key: &str) -> Digest {
    Digest(*blake3::hash(key.as_bytes()).as_bytes())
}

/// What stands before every request.
pub(crate) async fn guard(
    State((doors, site)): State<(Arc<Doors>, Arc<Site>)>,
    ConnectInfo(wire): ConnectInfo<Wire>,
    request: Request,
    next: Next,
) -> Response {
    wire.answering();
    let is_stream = request.uri().path() == "/api/events";
    let mut response = match pass(&doors, &site, &wire, request, next).await {
        Ok(r) => r,
        Err(r) => r.into_response(),
    };
    let put = |h: &mut HeaderMap, name: &'static str, value: &'static str| {
        h.insert(name, HeaderValue::from_static(value));
    };
    let headers = response.headers_mut();
    put(headers, "content-security-policy", POLICY);
    put(headers, "x-content-type-options", "nosniff");
    put(headers, "referrer-policy", "no-referrer");
    put(headers, "cross-origin-resource-policy", "same-origin");
    if !is_stream {
        wire.answered();
    }
    response
}

async fn pass(
    doors: &Arc<Doors>,
    site: &Arc<Site>,
    wire: &Wire,
    request: Request,
    next: Next,
) -> Result<Response, Refusal> {
    let (is_act, path) = (request.method() == Method::POST, request.uri().path().to_owned());
    if !matches!(*request.method(), Method::GET | Method::POST) {
        return Err(Refusal::new(
            StatusCode::METHOD_NOT_ALLOWED,
            "nothing was done",
            "only GET and POST are known here",
            "use one of them",
        ));
    }
    if request.uri().path_and_query().is_some_and(|p| p.as_str().len() > MOST_ADDRESS) {
        return Err(Refusal::new(
            StatusCode::URI_TOO_LONG,
            "nothing was done",
            "the address is too long",
            "ask for less",
        ));
    }
    check_host(request.headers(), wire.local)?;
    check_origin(request.headers(), wire.local)?;
    if doors.is_lan() {
        if let Some((said, name)) = said_key(&request) {
            return knock(doors, &said, name).await;
        }
        let key = cookie(request.headers()).map(str::to_owned);
        let own = Arc::clone(doors);
        let known =
            tokio::task::spawn_blocking(move || key.is_some_and(|k| own.knows(&k))).await.unwrap_or(false);
        if !known {
            return Err(Refusal::new(
                StatusCode::UNAUTHORIZED,
                "the door is shut",
                "this browser was not let in, or was shut out again",
                "open the link that `leadline view --lan` shows, or scan its picture",
            ));
        }
    }
    if is_act {
        check_act(request.headers(), site)?;
    }
    let _place = tokio::time::timeout(PLACE_WAIT, doors.places.acquire())
        .await
        .ok()
        .and_then(Result::ok)
        .ok_or_else(|| Refusal::busy("too much is asked at once", "wait, then ask again"))?;
    let is_file = is_act && takes_file(&path);
    let _file = if is_file { doors.files.acquire().await.ok() } else { None };
    let request = if is_act { whole(request, is_file).await? } else { request };
    Ok(next.run(request).await)
}

/// Paths whose body is a file.
fn takes_file(path: &str) -> bool {
    matches!(path, "/api/import" | "/api/parcel" | "/api/backup/restore")
}

/// The key of a link that was opened, and what the browser calls itself.
fn said_key(request: &Request) -> Option<(String, String)> {
    let query = request.uri().query().filter(|_| request.uri().path() == "/")?;
    let said = query.split('&').find_map(|p| p.strip_prefix("door="))?;
    let name = request.headers().get(header::USER_AGENT).and_then(|v| v.to_str().ok()).unwrap_or_default();
    Some((said.to_owned(), name.to_owned()))
}

/// The link was opened: a key of its own for that browser.
async fn knock(doors: &Arc<Doors>, said: &str, name: String) -> Result<Response, Refusal> {
    if doors.knock != Some(digest(said)) {
        // A guess costs time.
        tokio::time::sleep(Duration::from_millis(500)).await;
        return Err(Refusal::new(
            StatusCode::UNAUTHORIZED,
            "the door is shut",
            "this link is not, or no more, the one that opens it",
            "open the link that `leadline view --lan` shows now",
        ));
    }
    let own = Arc::clone(doors);
    let key =
        tokio::task::spawn_blocking(move || own.let_in(&name)).await.map_err(|_| Refusal::broken())??;
    let cookie = format!("{COOKIE}={key}; HttpOnly; SameSite=Strict; Path=/; Max-Age={COOKIE_AGE}");
    let mut r = Response::new(Body::empty());
    *r.status_mut() = StatusCode::SEE_OTHER;
    let headers = r.headers_mut();
    headers.insert(header::LOCATION, HeaderValue::from_static("/"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    if let Ok(v) = HeaderValue::from_str(&cookie) {
        headers.insert(header::SET_COOKIE, v);
    }
    Ok(r)
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let all = headers.get_all(header::COOKIE).into_iter().filter_map(|v| v.to_str().ok());
    all.flat_map(|v| v.split(';')).find_map(|c| c.trim().strip_prefix(COOKIE)?.strip_prefix('='))
}

/// `Host` must be the address that was dialled, or a loopback name where that was dialled.
fn check_host(headers: &HeaderMap, local: SocketAddr) -> Result<(), Refusal> {
    let mut said = headers.get_all(header::HOST).into_iter();
    let host = said.next().and_then(|v| v.to_str().ok()).filter(|_| said.next().is_none());
    if host.is_some_and(|h| is_own(h, local)) {
        return Ok(());
    }
    Err(Refusal::new(
        StatusCode::MISDIRECTED_REQUEST,
        "nothing was done",
        "the page was asked for under a name that is not its own",
        "open the link exactly as `leadline view` shows it",
    ))
}

/// `Origin`, where it is said, must be the page's own.
fn check_origin(headers: &HeaderMap, local: SocketAddr) -> Result<(), Refusal> {
    let mut said = headers.get_all(header::ORIGIN).into_iter();
    let Some(origin) = said.next() else { return Ok(()) };
    let own = origin.to_str().ok().and_then(|o| o.strip_prefix("http://")).filter(|_| said.next().is_none());
    // One name for both: a page of 127.0.0.1 does not speak for localhost.
    let same = own.is_some_and(|o| {
        is_own(o, local) && headers.get(header::HOST).is_some_and(|h| h.as_bytes() == o.as_bytes())
    });
    if same { Ok(()) } else { Err(Refusal::shut("another site asked for it", "use the page itself")) }
}

/// Whether `name` is the address dialled with its port.
fn is_own(name: &str, local: SocketAddr) -> bool {
    let ip = match local.ip() {
        IpAddr::V6(v6) => v6.to_ipv4_mapped().map_or(IpAddr::V6(v6), IpAddr::V4),
        v4 => v4,
    };
    let with_port = |host: &str| name.eq_ignore_ascii_case(&format!("{host}:{}", local.port()));
    let bare = local.port() == 80 && name == ip.to_string();
    bare || with_port(SocketAddr::new(ip, 0).to_string().trim_end_matches(":0"))
        || (ip.is_loopback() && with_port("localhost"))
}

/// What an act needs beside a door.
fn check_act(headers: &HeaderMap, site: &Site) -> Result<(), Refusal> {
    if site.is_lan {
        return Err(Refusal::shut(
            "through this door the page can only be read: others on this network could read and repeat what is sent",
            "write on the device that runs `leadline view`, by its own page",
        ));
    }
    let mut said = headers.get_all("x-leadline").into_iter();
    if said.next().is_none_or(|v| v.as_bytes() != b"1") || said.next().is_some() {
        return Err(Refusal::shut("the header X-Leadline: 1 is missing", "use the page itself"));
    }
    Ok(())
}

/// The body read whole, within bounds.
async fn whole(request: Request, is_file: bool) -> Result<Request, Refusal> {
    let (most, wait) = if is_file { (MOST_FILE, FILE_WAIT) } else { (MOST_BODY, BODY_WAIT) };
    let too_large = || {
        Refusal::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            "nothing was done",
            &format!("at most {} KiB are taken here", most >> 10),
            if is_file {
                "read larger files with `leadline import`, `leadline parcel read` or `leadline restore`"
            } else {
                "send less"
            },
        )
    };
    let said =
        request.headers().get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse::<u64>().ok());
    if said.is_some_and(|n| n > most as u64) {
        return Err(too_large());
    }
    let (head, body) = request.into_parts();
    let bytes = match tokio::time::timeout(wait, to_bytes(body, most)).await {
        Ok(Ok(bytes)) => bytes,
        Ok(Err(_)) => return Err(too_large()),
        Err(_) => {
            return Err(Refusal::new(
                StatusCode::REQUEST_TIMEOUT,
                "nothing was done",
                "the rest of the request did not come in time",
                "try again nearer to the device",
            ));
        }
    };
    Ok(Request::from_parts(head, Body::from(bytes)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_dialled_address_is_a_host() {
        let lo: SocketAddr = "127.0.0.1:4711".parse().expect("an address");
        let lan: SocketAddr = "192.168.4.17:4711".parse().expect("an address");
        let v6: SocketAddr = "[::1]:4711".parse().expect("an address");
        let mapped: SocketAddr = "[::ffff:192.168.4.17]:4711".parse().expect("an address");
        for (name, local, own) in [
            ("127.0.0.1:4711", lo, true),
            ("localhost:4711", lo, true),
            ("LOCALHOST:4711", lo, true),
            ("[::1]:4711", v6, true),
            ("192.168.4.17:4711", lan, true),
            ("192.168.4.17:4711", mapped, true),
            ("localhost:4711", lan, false),
            ("127.0.0.1:4711", lan, false),
            ("127.0.0.1", lo, false),
            ("127.0.0.1:80", lo, false),
            ("evil.example:4711", lo, false),
            ("127.0.0.1:4711.evil.example", lo, false),
            ("", lo, false),
        ] {
            assert_eq!(is_own(name, local), own, "{name} at {local}");
        }
    }

    #[test]
    fn the_cookie_is_found_among_others() {
        let mut h = HeaderMap::new();
        h.append(header::COOKIE, HeaderValue::from_static("a=b; leadline_door=0123; leadline_doors=9"));
        assert_eq!(cookie(&h), Some("0123"));
        let mut h = HeaderMap::new();
        h.append(header::COOKIE, HeaderValue::from_static("leadline_doors=9; xleadline_door=1"));
        assert_eq!(cookie(&h), None);
    }
}
