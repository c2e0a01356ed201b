//! Who is let in.
//!
//! A browser sends requests of any page to this machine's own addresses, and a site can make its name point there (DNS
//! rebinding). So a request must be addressed to us by the address that we listen on, or as `localhost` (the browser
//! itself writes the `Host` header). If it says which page sent it (`Origin`), that page must be ours.
//!
//! Other users of the machine can reach its loopback too, and other machines can reach whatever else we listen on. So
//! each request must carry the access token: first in the address that is opened, then in a cookie that no script can
//! read and that no other site's request carries. A browser that we start gets an address with a code for one use
//! instead and exchanges it for the cookie, because all users can read the arguments of a program (proc(5)).
//!
//! If we listen on every address of the machine, we cannot know all its names, and so we accept any `Host` with our
//! port. A cookie belongs to the name under which it was set, so a page of a name made to point here never brings it.
//! Cookies do not distinguish ports: whoever opens a server of another user of the same machine shows it their cookies.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::{Mutex, MutexGuard};
use std::time::{Duration, Instant};

use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, header};

use super::answer::{Answer, Refusal};
use super::secret;

/// How long a code for one use is good: even a browser that starts slowly uses it within a minute (own choice).
const CODE_LASTS: Duration = Duration::from_secs(120);

/// What requests are checked against.
#[derive(Debug)]
pub(super) struct Guard {
    at: SocketAddr,
    access: String,
    /// Codes for one use, and when they were given out.
    codes: Mutex<Vec<(String, Instant)>>,
}

impl Guard {
    /// Of a server that listens at `at`; `access` is the token that every request must carry.
    pub(super) fn new(at: SocketAddr, access: String) -> Self {
        Self { at, access, codes: Mutex::new(Vec::new()) }
    }

    /// What is opened, as often as one likes.
    pub(super) fn url(&self) -> String {
        format!("http://{}/?access={}", self.at, self.access)
    }

    /// What is opened once, on this machine and soon; `code` is to be new.
    pub(super) fn url_for_one_use(&self, code: String) -> String {
        let ip = match self.at.ip() {
            IpAddr::V4(ip) if ip.is_unspecified() => IpAddr::V4(Ipv4Addr::LOCALHOST),
            IpAddr::V6(ip) if ip.is_unspecified() => IpAddr::V6(Ipv6Addr::LOCALHOST),
            ip => ip,
        };
        let url = format!("http://{}/?entry={code}", SocketAddr::new(ip, self.at.port()));
        self.codes().push((code, Instant::now()));
        url
    }

    fn codes(&self) -> MutexGuard<'_, Vec<(String, Instant)>> {
        self.codes.lock().unwrap_or_else(|e| e.into_inner())
    }

    /// Whether a code is good; from now on it is not.
    fn spend(&self, code: &str, now: Instant) -> bool {
        let mut codes = self.codes();
        codes.retain(|(_, given)| now.saturating_duration_since(*given) < CODE_LASTS);
        let at = codes.iter().position(|(known, _)| secret::same(known, code));
        at.map(|at| codes.swap_remove(at)).is_some()
    }

    /// Lets a request in, or not; the way in itself is answered here.
    pub(super) fn check(&self, request: &Parts) -> Result<Option<Answer>, Refusal> {
        let host = only(&request.headers, header::HOST.as_str())
            .filter(|host| self.is_ours(host))
            .filter(|host| request.uri.authority().is_none_or(|named| named.as_str().eq_ignore_ascii_case(host)))
            .ok_or_else(|| Refusal::forbidden(self.names()))?;
        if request.headers.contains_key(header::ORIGIN) {
            let origin = only(&request.headers, header::ORIGIN.as_str()).and_then(|text| text.strip_prefix("http://"));
            if !origin.is_some_and(|origin| origin.eq_ignore_ascii_case(host)) {
                return Err(Refusal::forbidden(
                    "the request comes from a page that is not ours; use the pages of this server",
                ));
            }
        }
        let known = cookies(&request.headers, &self.cookie_name()).any(|found| secret::same(found, &self.access));
        let path = request.uri.path();
        let is_page = request.method == Method::GET && (path == "/" || path.starts_with("/child/"));
        let (access, code) = (parameter(request, "access"), parameter(request, "entry"));
        if is_page && (access.is_some() || code.is_some()) {
            let spent = code.is_some_and(|found| self.spend(found, Instant::now()));
            if known || spent || access.is_some_and(|found| secret::same(found, &self.access)) {
                let cookie = format!("{}={}; Path=/; HttpOnly; SameSite=Strict", self.cookie_name(), self.access);
                return Ok(Some(Answer::Enter { cookie, to: without_entrance(request) }));
            }
        }
        if known {
            return Ok(None);
        }
        Err(Refusal::forbidden(if code.is_some() && access.is_none() {
            "this address was good for one use, and has been used or is too old; open the whole address that \
            keepstill review \
printed, and end the server if it was somebody else who used it"
        } else {
            "the access token is missing or wrong; open the whole address that keepstill review printed"
        }))
    }

    /// Cookies do not distinguish ports, and two servers on one machine must not take each other's.
    fn cookie_name(&self) -> String {
        format!("keepstill-{}", self.at.port())
    }

    /// What the server is called, in words.
    fn names(&self) -> String {
        let port = self.at.port();
        if self.at.ip().is_unspecified() {
            format!("this server is called by a name or address of its machine and :{port}; open it by that")
        } else {
            format!("this server is called {} or localhost:{port}; open it by that", self.at)
        }
    }

    /// Whether a `Host` is this server.
    fn is_ours(&self, host: &str) -> bool {
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !name.ends_with(':') && !port.ends_with(']') => (name, port.parse::<u16>().ok()),
            _ => (host, Some(80)),
        };
        if port != Some(self.at.port()) || name.is_empty() {
            return false;
        }
        let plain = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
        self.at.ip().is_unspecified()
            || match plain.parse::<IpAddr>() {
                Ok(ip) => ip == self.at.ip(),
                Err(_) => name.eq_ignore_ascii_case("localhost"),
            }
    }
}

/// A request's own place, without what let it in.
fn without_entrance(request: &Parts) -> String {
    let kept = |pair: &&str| !["access", "entry"].contains(&pair.split('=').next().unwrap_or_default());
    let query: Vec<&str> = request.uri.query().unwrap_or_default().split('&').filter(kept).collect();
    let (path, query) = (request.uri.path(), query.join("&"));
    if query.is_empty() { path.to_owned() } else { format!("{path}?{query}") }
}

/// A header's value, if it stands once and is plain text.
pub(super) fn only<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let mut values = headers.get_all(name).iter();
    let first = values.next()?.to_str().ok()?;
    values.next().is_none().then_some(first)
}

/// A parameter of the address, as it stands there; ours but `reviewer` are hexadecimal and need no decoding.
pub(super) fn parameter<'a>(request: &'a Parts, name: &str) -> Option<&'a str> {
    let pairs = request.uri.query()?.split('&').filter_map(|pair| pair.split_once('='));
    pairs.filter(|(key, _)| *key == name).map(|(_, value)| value).next()
}

/// A parameter's text: `%` and two hexadecimal digits are a byte of UTF-8 (RFC 3986), `+` is a blank. Bytes that are
/// not text become `\u{fffd}`, which initials never contain.
pub(super) fn decoded(parameter: &str) -> String {
    let bytes = parameter.as_bytes();
    let digit = |at: usize| bytes.get(at).and_then(|byte| char::from(*byte).to_digit(16));
    let mut text = Vec::with_capacity(bytes.len());
    let mut at = 0;
    while let Some(&byte) = bytes.get(at) {
        match (byte, digit(at + 1), digit(at + 2)) {
            (b'%', Some(high), Some(low)) => {
                text.push((high * 16 + low) as u8);
                at += 2;
            }
            (b'+', ..) => text.push(b' '),
            _ => text.push(byte),
        }
        at += 1;
    }
    String::from_utf8_lossy(&text).trim().to_owned()
}

fn cookies<'a>(headers: &'a HeaderMap, name: &'a str) -> impl Iterator<Item = &'a str> {
    let lines = headers.get_all(header::COOKIE).iter().filter_map(|line| line.to_str().ok());
    let pairs = lines.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.filter(move |(key, _)| *key == name).map(|(_, value)| value)
}

#[cfg(test)]
mod tests {
    use axum::http::Request;

    use super::*;

    fn guard(at: &str) -> Guard {
        Guard::new(at.parse().unwrap(), "0123".to_owned())
    }

    /// A request of a browser that was let in before.
    fn ask(guard: &Guard, target: &str, headers: &[(&str, &str)]) -> Result<Option<Answer>, Refusal> {
        let cookie = format!("a=b; {}=0123", guard.cookie_name());
        ask_anew(guard, target, &[headers, &[("cookie", &cookie)]].concat())
    }

    fn ask_anew(guard: &Guard, target: &str, headers: &[(&str, &str)]) -> Result<Option<Answer>, Refusal> {
        let mut request = Request::get(target);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        guard.check(&request.body(()).unwrap().into_parts().0)
    }

    #[test]
    fn parameters_are_text_again() {
        for (parameter, text) in
            [("AB", "AB"), ("%C3%85b7", "Åb7"), ("+%41+b ", "A b"), ("%", "%"), ("%4", "%4"), ("", "")]
        {
            assert_eq!(decoded(parameter), text);
        }
        assert_eq!(decoded("%ff%zz"), "\u{fffd}%zz");
    }

    #[test]
    fn only_the_servers_own_names_are_answered() {
        let own = guard("127.0.0.1:8123");
        for host in ["127.0.0.1:8123", "localhost:8123", "LocalHost:8123"] {
            assert!(ask(&own, "/", &[("host", host)]).is_ok(), "{host}");
        }
        for host in [
            "127.0.0.1",
            "localhost",
            "127.0.0.1:80",
            "tern.example:8123",
            "127.0.0.2:8123",
            "[::1]:8123",
            "",
            ":8123",
            "::1",
        ] {
            assert!(ask(&own, "/", &[("host", host)]).is_err(), "{host}");
        }
        assert!(ask(&own, "/", &[]).is_err());
        assert!(ask(&own, "/", &[("host", "127.0.0.1:8123"), ("host", "127.0.0.1:8123")]).is_err());
        assert!(ask(&own, "http://tern.example/", &[("host", "127.0.0.1:8123")]).is_err());
        assert!(ask(&own, "http://127.0.0.1:8123/", &[("host", "127.0.0.1:8123")]).is_ok());
        let six = guard("[::1]:80");
        assert!(ask(&six, "/", &[("host", "[::1]")]).is_ok() && ask(&six, "/", &[("host", "[::1]:80")]).is_ok());
        assert!(ask(&six, "/", &[("host", "[::2]:80")]).is_err());
        // On every address: any name, since nobody gets in without the cookie that was set under that name.
        for at in ["0.0.0.0:8123", "[::]:8123"] {
            let all = guard(at);
            for host in ["192.168.7.9:8123", "tern.example:8123", "[fe80::1]:8123"] {
                assert!(ask(&all, "/", &[("host", host)]).is_ok(), "{host}");
                assert!(ask_anew(&all, "/", &[("host", host)]).is_err(), "{host}");
                assert!(ask(&all, "/", &[("host", host), ("origin", "http://dune.example:8123")]).is_err());
            }
            for host in ["192.168.7.9:8124", "192.168.7.9", ":8123"] {
                let words = ask(&all, "/", &[("host", host)]).unwrap_err().words;
                assert!(words.contains("a name or address of its machine and :8123"), "{words}");
            }
        }
    }

    #[test]
    fn pages_of_others_are_refused() {
        let own = guard("127.0.0.1:8123");
        let from = |host: &str, origin: &str| ask(&own, "/", &[("host", host), ("origin", origin)]).is_ok();
        assert!(from("127.0.0.1:8123", "http://127.0.0.1:8123"));
        assert!(from("localhost:8123", "http://localhost:8123"));
        for origin in ["null", "http://tern.example", "https://127.0.0.1:8123", "http://127.0.0.1:8124", "", "http://"]
        {
            assert!(!from("127.0.0.1:8123", origin), "{origin}");
        }
    }

    #[test]
    fn nobody_comes_in_without_the_token() {
        for at in ["192.168.7.9:8123", "127.0.0.1:8123"] {
            let open = guard(at);
            assert_eq!(open.url(), format!("http://{at}/?access=0123"));
            let host = ("host", at);
            for (target, place) in [
                ("/?access=0123", "/"),
                ("/child/sub-01?shown=ab&access=0123&a", "/child/sub-01?shown=ab&a"),
                ("/?access=0123&shown=ab", "/?shown=ab"),
            ] {
                match ask_anew(&open, target, &[host]).unwrap().unwrap() {
                    Answer::Enter { cookie, to } => {
                        assert_eq!(cookie, "keepstill-8123=0123; Path=/; HttpOnly; SameSite=Strict");
                        assert_eq!(to, place);
                    }
                    other => panic!("{other:?}"),
                }
            }
            assert!(ask(&open, "/", &[host]).unwrap().is_none());
            // A browser that is in already is sent on as well.
            assert!(matches!(ask(&open, "/?access=old", &[host]), Ok(Some(Answer::Enter { .. }))));
            for (target, cookie) in [
                ("/", "keepstill-8123=012"),
                ("/", "keepstill-8124=0123"),
                ("/?access=", "a=b"),
                ("/?access=01234", "a=b"),
                ("/?entry=0123", "a=b"),
                ("/api/state?access=0123", "a=b"),
                ("//tern.example/?access=0123", "a=b"),
            ] {
                assert!(ask_anew(&open, target, &[host, ("cookie", cookie)]).is_err(), "{target} {cookie}");
            }
        }
    }

    #[test]
    fn a_code_lets_in_once_and_soon() {
        for (at, opened) in [
            ("127.0.0.1:8123", "127.0.0.1"),
            ("0.0.0.0:8123", "127.0.0.1"),
            ("[::]:8123", "[::1]"),
            ("10.1.2.3:8123", "10.1.2.3"),
        ] {
            let own = guard(at);
            assert_eq!(own.url_for_one_use("c0de".to_owned()), format!("http://{opened}:8123/?entry=c0de"));
            let host = ("host", &*format!("{opened}:8123"));
            assert!(ask_anew(&own, "/?entry=c0df", &[host]).is_err());
            assert!(matches!(ask_anew(&own, "/?entry=c0de", &[host]), Ok(Some(Answer::Enter { to, .. })) if to == "/"));
            let words = ask_anew(&own, "/?entry=c0de", &[host]).unwrap_err().words;
            assert!(words.contains("good for one use") && words.contains("end the server"), "{words}");
        }
        let own = guard("127.0.0.1:8123");
        own.url_for_one_use("c0de".to_owned());
        assert!(!own.spend("c0de", Instant::now() + CODE_LASTS));
        assert!(!own.spend("c0de", Instant::now()), "it is forgotten");
    }
}
