//! Who is let in.
//!
//! A browser sends any page's requests to this machine's own addresses, and a site can make its name point there (DNS
//! rebinding). So a request must be addressed to us by the address that we listen on, or `localhost` (the `Host` header
//! is the browser's own word), and where it says which page sent it (`Origin`), that page must be ours. Where other
//! machines can reach us, each request must also carry the access token: first in the address that is opened, then in a
//! cookie that no script reads and no other site's request carries.

use std::net::{IpAddr, SocketAddr};

use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, header};

use super::answer::{Answer, Refusal};
use super::secret;

/// What requests are held against.
#[derive(Debug)]
pub(super) struct Guard {
    at: SocketAddr,
    access: Option<String>,
}

impl Guard {
    pub(super) fn new(at: SocketAddr, access: Option<String>) -> Self {
        Self { at, access }
    }

    /// The token that every request must carry, if any.
    pub(super) fn access(&self) -> Option<&str> {
        self.access.as_deref()
    }

    /// Lets a request in, or not; the way in itself is answered here.
    pub(super) fn check(&self, request: &Parts) -> Result<Option<Answer>, Refusal> {
        let host = only(&request.headers, header::HOST.as_str())
            .filter(|host| self.is_ours(host))
            .filter(|host| request.uri.authority().is_none_or(|named| named.as_str().eq_ignore_ascii_case(host)))
            .ok_or_else(|| {
                let words =
                    format!("this server is called {} or localhost:{}; open it by that", self.at, self.at.port());
                Refusal::forbidden(words)
            })?;
        if request.headers.contains_key(header::ORIGIN) {
            let origin = only(&request.headers, header::ORIGIN.as_str()).and_then(|text| text.strip_prefix("http://"));
            if !origin.is_some_and(|origin| origin.eq_ignore_ascii_case(host)) {
                return Err(Refusal::forbidden(
                    "the request comes from a page that is not ours; use the pages of this server",
                ));
            }
        }
        let Some(access) = &self.access else { return Ok(None) };
        if cookies(&request.headers, &self.cookie_name()).any(|found| secret::same(found, access)) {
            return Ok(None);
        }
        let given = parameter(request, "access").is_some_and(|found| secret::same(found, access));
        if given && request.method == Method::GET && request.uri.path() == "/" {
            let cookie = format!("{}={access}; Path=/; HttpOnly; SameSite=Strict", self.cookie_name());
            return Ok(Some(Answer::Enter { cookie }));
        }
        let words = "the access token is missing or wrong; open the whole address that keepstill review printed";
        Err(Refusal::forbidden(words))
    }

    /// Cookies know no ports: two servers on one machine must not take each other's.
    fn cookie_name(&self) -> String {
        format!("keepstill-{}", self.at.port())
    }

    /// Whether a `Host` is this server.
    fn is_ours(&self, host: &str) -> bool {
        let (name, port) = match host.rsplit_once(':') {
            Some((name, port)) if !name.ends_with(':') && !port.ends_with(']') => (name, port.parse::<u16>().ok()),
            _ => (host, Some(80)),
        };
        if port != Some(self.at.port()) {
            return false;
        }
        let plain = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
        match plain.parse::<IpAddr>() {
            // On all addresses of the machine any of them may be meant; what rebinding needs is a name.
            Ok(ip) => ip == self.at.ip() || self.at.ip().is_unspecified(),
            Err(_) => name.eq_ignore_ascii_case("localhost"),
        }
    }
}

/// A header's value, if it stands once and is plain text.
pub(super) fn only<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let mut values = headers.get_all(name).iter();
    let first = values.next()?.to_str().ok()?;
    values.next().is_none().then_some(first)
}

/// A parameter of the address; ours are hexadecimal and need no decoding.
pub(super) fn parameter<'a>(request: &'a Parts, name: &str) -> Option<&'a str> {
    let pairs = request.uri.query()?.split('&').filter_map(|pair| pair.split_once('='));
    pairs.filter(|(key, _)| *key == name).map(|(_, value)| value).next()
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

    fn guard(at: &str, access: Option<&str>) -> Guard {
        Guard::new(at.parse().unwrap(), access.map(str::to_owned))
    }

    fn ask(guard: &Guard, target: &str, headers: &[(&str, &str)]) -> Result<Option<Answer>, Refusal> {
        let mut request = Request::get(target);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        guard.check(&request.body(()).unwrap().into_parts().0)
    }

    #[test]
    fn only_the_servers_own_names_are_answered() {
        let own = guard("127.0.0.1:8123", None);
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
        let six = guard("[::1]:80", None);
        assert!(ask(&six, "/", &[("host", "[::1]")]).is_ok() && ask(&six, "/", &[("host", "[::1]:80")]).is_ok());
        assert!(ask(&six, "/", &[("host", "[::2]:80")]).is_err());
        let all = guard("0.0.0.0:8123", Some("t"));
        let cookie = ("cookie", "a=b; keepstill-8123=t");
        assert!(ask(&all, "/", &[("host", "192.168.7.9:8123"), cookie]).is_ok());
        assert!(ask(&all, "/", &[("host", "tern.example:8123"), cookie]).is_err());
    }

    #[test]
    fn pages_of_others_are_refused() {
        let own = guard("127.0.0.1:8123", None);
        let from = |host: &str, origin: &str| ask(&own, "/", &[("host", host), ("origin", origin)]).is_ok();
        assert!(from("127.0.0.1:8123", "http://127.0.0.1:8123"));
        assert!(from("localhost:8123", "http://localhost:8123"));
        for origin in ["null", "http://tern.example", "https://127.0.0.1:8123", "http://127.0.0.1:8124", "", "http://"]
        {
            assert!(!from("127.0.0.1:8123", origin), "{origin}");
        }
    }

    #[test]
    fn others_need_the_token() {
        let open = guard("192.168.7.9:8123", Some("0123"));
        let host = ("host", "192.168.7.9:8123");
        match ask(&open, "/?access=0123", &[host]).unwrap().unwrap() {
            Answer::Enter { cookie } => {
                assert_eq!(cookie, "keepstill-8123=0123; Path=/; HttpOnly; SameSite=Strict");
            }
            other => panic!("{other:?}"),
        }
        assert!(ask(&open, "/", &[host, ("cookie", "keepstill-8123=0123")]).unwrap().is_none());
        for (target, cookie) in [
            ("/", "keepstill-8123=012"),
            ("/", "keepstill-8124=0123"),
            ("/?access=", "a=b"),
            ("/?access=01234", "a=b"),
            ("/api/state?access=0123", "a=b"),
        ] {
            assert!(ask(&open, target, &[host, ("cookie", cookie)]).is_err(), "{target} {cookie}");
        }
    }
}
