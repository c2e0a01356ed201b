//! What the server does not answer, and in which words.

use std::fs::{Permissions, set_permissions};
use std::net::TcpListener;
use std::os::unix::fs::{PermissionsExt, symlink};

use keepstill::outputs::CAUTION;
use keepstill::pages::escape;
use serde_json::{Value, json};

use super::{Served, change_cohort, decisions, finished};
use crate::builders::Tiny;

#[test]
fn answers_carry_the_headers_that_keep_them_here() {
    let folder = finished();
    let served = Served::start(&folder);
    let mut nonces = Vec::new();
    for page in ["/", "/child/sub-01", "/"] {
        let answer = served.get(page);
        let policy = answer.header("content-security-policy").unwrap();
        let nonce = policy.split("script-src 'nonce-").nth(1).unwrap().split('\'').next().unwrap().to_owned();
        let expected = format!(
            "default-src 'none'; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; img-src data:; \
             connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        );
        assert_eq!(policy, expected);
        assert!(answer.body.contains(&format!("nonce=\"{nonce}\"")), "{page}");
        assert_eq!(answer.header("content-type"), Some("text/html; charset=utf-8"));
        assert!(answer.body.contains(&served.token) && nonce.len() == 32 && served.token.len() == 32);
        nonces.push(nonce);
    }
    nonces.sort();
    nonces.dedup();
    assert_eq!(nonces.len(), 3, "a nonce is used once");
    for page in ["/", "/api/state", "/nothing"] {
        let answer = served.get(page);
        assert_eq!(answer.header("cache-control"), Some("no-store"), "{page}");
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"), "{page}");
        assert_eq!(answer.header("referrer-policy"), Some("no-referrer"), "{page}");
        assert!(answer.header("access-control-allow-origin").is_none());
        assert!(answer.header("content-security-policy").unwrap().starts_with("default-src 'none'"));
    }
    assert_eq!(served.get("/favicon.ico").status, 204);
    let head = served.ask("HEAD", "/api/state", &[], b"");
    assert_eq!((head.status, head.header("content-type")), (200, Some("application/json; charset=utf-8")));
}

#[test]
fn other_names_and_pages_of_others_are_refused() {
    let folder = finished();
    let served = Served::start(&folder);
    let port = served.port().to_owned();
    let localhost = format!("localhost:{port}");
    assert_eq!(served.ask("GET", "/", &[("Host", &localhost)], b"").status, 200);
    for host in
        ["tern.example", &format!("tern.example:{port}"), "127.0.0.1", "127.0.0.1:1", &format!("127.0.0.2:{port}")]
    {
        for target in ["/", "/api/state"] {
            let words = served.ask("GET", target, &[("Host", host)], b"").refused(403);
            assert!(words.contains(&localhost), "{words}");
        }
    }
    let decision = served.decision("sub-01", "AB", "include", json!({})).to_string();
    let post = |origin: &str| {
        let headers =
            [("X-Keepstill-Token", served.token.as_str()), ("Content-Type", "application/json"), ("Origin", origin)];
        served.ask("POST", "/api/decide", &headers, decision.as_bytes())
    };
    for origin in
        ["null", "http://tern.example", &format!("http://localhost:{port}"), &format!("https://{}", served.host)]
    {
        assert!(post(origin).refused(403).contains("a page that is not ours"), "{origin}");
    }
    assert_eq!(decisions(&folder).len(), 0);
    post(&format!("http://{}", served.host)).good();
    assert_eq!(decisions(&folder).len(), 1);
}

#[test]
fn nothing_is_written_without_the_pages_token() {
    let folder = finished();
    let served = Served::start(&folder);
    let decision = served.decision("sub-01", "AB", "include", json!({})).to_string();
    let kind = ("Content-Type", "application/json");
    let wrong = "0".repeat(32);
    let writes = [
        ("/api/decide", decision.clone()),
        ("/api/unhide", json!({ "reviewer": "AB" }).to_string()),
        ("/api/reasons", json!({ "reason": "hummed" }).to_string()),
    ];
    for (target, body) in &writes {
        for headers in [vec![kind], vec![kind, ("X-Keepstill-Token", "")], vec![kind, ("X-Keepstill-Token", &wrong)]] {
            let words = served.ask("POST", target, &headers, body.as_bytes()).refused(403);
            assert!(words.contains("reload"), "{words}");
        }
        let token = ("X-Keepstill-Token", served.token.as_str());
        let words = served.ask("POST", target, &[token, ("Content-Type", "text/plain")], body.as_bytes()).refused(415);
        assert!(words.contains("application/json"), "{words}");
        assert_eq!(served.ask("GET", target, &[token], b"").refused(405), "this address answers POST only");
        assert_eq!(served.ask("PUT", target, &[token, kind], body.as_bytes()).header("allow"), Some("POST"));
    }
    for target in ["/", "/child/sub-01", "/api/state"] {
        let answer = served.post(target, &json!({}));
        assert!(answer.refused(405).contains("GET, HEAD only"));
        assert_eq!(answer.header("allow"), Some("GET, HEAD"));
    }
    let written: Vec<String> = folder.files("results/review").into_iter().map(|(name, _)| name).collect();
    assert_eq!(written, ["reasons.txt"]);
    assert!(!folder.read("results/review/reasons.txt").contains("hummed"));
}

#[test]
fn bad_input_is_refused_in_words() {
    let folder = finished();
    let served = Served::start(&folder);
    for (more, status, words) in [
        (json!({ "reviewer": "" }), 400, "initials are missing; give 1 to 8 letters or digits"),
        (json!({ "reviewer": "A B" }), 400, "\"A B\" are not 1 to 8 letters or digits"),
        (json!({ "decision": "maybe" }), 400, "must be include, exclude or unsure"),
        (json!({ "note": "x".repeat(501) }), 400, "the note has 501 characters, and at most 500"),
        (json!({ "reason": "x".repeat(501) }), 400, "the reason has 501 characters"),
        (json!({ "stem": "sub-09" }), 404, "no child of this name"),
        (json!({ "results_digest": "0" }), 409, "reload"),
        (json!({ "settles": "yes" }), 400, "cannot be read"),
        (json!({ "setles": true }), 400, "unknown field `setles`"),
    ] {
        let said = served.decide("sub-01", "AB", "include", more).refused(status);
        assert!(said.contains(words), "{said}");
    }
    let headers = [("X-Keepstill-Token", served.token.as_str()), ("Content-Type", "application/json")];
    for body in [&b""[..], b"{", b"[1]", b"\xff\xfe", b"{\"stem\": \"sub-01\"}"] {
        assert!(served.ask("POST", "/api/decide", &headers, body).refused(400).contains("cannot be read"));
    }
    let large = json!({ "note": "x".repeat(16 << 10) }).to_string();
    let said = served.ask("POST", "/api/decide", &headers, large.as_bytes()).refused(413);
    assert!(said.contains("larger than 16384 bytes"), "{said}");
    let huge = "x".repeat(3 << 20);
    let mut stream = served.connect();
    use std::io::Write;
    // It stops listening on the way; what matters is that it goes on.
    let _ = stream.write_all(&super::request(&served.host, "POST", "/api/decide", &headers, huge.as_bytes()));
    assert_eq!(decisions(&folder).len(), 0);
    served.decide("sub-01", "AB", "include", json!({ "note": "é".repeat(500) })).good();
}

#[test]
fn no_path_leads_out_of_the_results() {
    let folder = finished();
    folder.write("secret_report.html", &folder.read("results/sub-01/func/sub-01_report.html"));
    let served = Served::start(&folder);
    for target in [
        "/child/../../secret_report.html",
        "/child/%2e%2e%2fsecret_report.html",
        "/child/sub-01/../../secret",
        "/child/",
        "/child/sub-09",
        "/child/sub-01%00",
        "/../secret_report.html",
        "/secret_report.html",
        "/cohort.html",
        "/review/decisions.tsv",
        "//child/sub-01",
        "/api",
    ] {
        served.get(target).refused(404);
    }
    drop(served);
    // A cohort page that names a file outside, itself or by a link.
    symlink(folder.join("secret_report.html"), folder.join("results/inside_report.html")).unwrap();
    let outside = folder.join("secret_report.html").display().to_string();
    for page in ["../secret_report.html", "inside_report.html", "sub-01/../../secret_report.html", outside.as_str()] {
        change_cohort(&folder, |data| data.rows[0].page = Some(page.to_owned()));
        let served = Served::start(&folder);
        let words = served.get("/child/sub-01").refused(403);
        assert!(words.contains("not inside the results folder"), "{words}");
    }
    for (page, status, expected) in [
        ("sub-01/func/sub-02_report.html", 404, "cannot read"),
        ("sub-02/func/sub-02_report.html", 500, "is the page of sub-02, not of sub-01"),
        ("sub-02/func", 404, "it is no file"),
        ("cohort.tsv", 500, "carries no data"),
    ] {
        change_cohort(&folder, |data| data.rows[0].page = Some(page.to_owned()));
        let served = Served::start(&folder);
        let words = served.get("/child/sub-01").refused(status);
        assert!(words.contains(expected) && !words.contains(&folder.path().display().to_string()), "{words}");
    }
}

#[test]
fn a_person_is_refused_with_a_page_and_a_script_with_json() {
    let folder = finished();
    change_cohort(&folder, |data| {
        data.rows[1].page = None;
        data.rows[2].page = Some("<img src=x>.html".to_owned());
    });
    let served = Served::start(&folder);
    let stranger = |target: &str| served.ask("GET", target, &[("Cookie", "a=b")], b"");
    let long = format!("/child/{}", "x".repeat(9000));
    for (answer, status, words) in [
        (served.get("/child/sub-02"), 404, "sub-02 has no page; set output.pages = true"),
        (served.get("/child/sub-03"), 404, "<img src=x>.html: cannot read"),
        (served.get("/child/sub-09"), 404, "no child of this name"),
        (served.get(&long), 404, "no child of this name"),
        (served.get("/cohort.html"), 404, "nothing at this address"),
        (served.post("/", &json!({})), 405, "GET, HEAD only"),
        (stranger("/"), 403, "the access token is missing"),
        (stranger("/child/sub-01"), 403, "the access token is missing"),
        (stranger("/?entry=0"), 403, "good for one use"),
    ] {
        assert_eq!(answer.header("content-type"), Some("text/html; charset=utf-8"));
        assert!(answer.refused(status).contains(words), "{answer:?}");
        let body = &answer.body;
        assert!(body.contains("<title>Not shown - Review</title>") && body.contains("<a href=\"/\">"), "{body}");
        assert!(body.contains(&escape(CAUTION)) && !body.contains("<img") && !body.contains(&served.token), "{body}");
        // The policy lets nothing through, so there is nothing that it would stop.
        let policy = answer.header("content-security-policy").unwrap();
        assert_eq!(policy, "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'");
        assert!(!["<style", "style=", "<script", "src=\""].iter().any(|part| body.contains(part)), "{body}");
    }
    for answer in [served.get("/api/nothing"), stranger("/api/state"), served.post("/api/decide", &json!({}))] {
        assert_eq!(answer.header("content-type"), Some("application/json; charset=utf-8"));
        assert!(!answer.json()["error"].as_str().unwrap().is_empty());
    }
}

#[test]
fn nobody_is_let_in_without_the_access_token() {
    let folder = finished();
    for more in [&[][..], &["--address", "0.0.0.0"]] {
        let served = Served::start_with(&folder, more);
        let everywhere = !more.is_empty();
        let host = format!("127.0.0.1:{}", served.port());
        let ask = |target: &str, cookie: &str| served.ask("GET", target, &[("Host", &host), ("Cookie", cookie)], b"");
        let (_, access) = served.url.split_once("/?access=").unwrap();
        assert_eq!(access.len(), 32);
        for target in ["/", "/api/state", "/child/sub-01", "/?access=0123", "/favicon.ico", "/nothing"] {
            assert!(ask(target, "a=b").refused(403).contains("access token"), "{target}");
        }
        for (target, place) in [
            (format!("/?access={access}"), "/"),
            (format!("/child/sub-01?shown=ab&access={access}&x"), "/child/sub-01?shown=ab&amp;x"),
        ] {
            let entered = ask(&target, "a=b");
            assert_eq!(entered.status, 200);
            assert!(entered.body.contains(&format!("content=\"0; url={place}\"")), "{}", entered.body);
            assert!(!entered.body.contains("keepstill-token") && !entered.body.contains(access));
            let cookie = entered.header("set-cookie").unwrap();
            assert!(cookie.ends_with("; Path=/; HttpOnly; SameSite=Strict"), "{cookie}");
            let cookie = cookie.split(';').next().unwrap();
            assert!(ask("/", cookie).body.contains("keepstill-token"));
            assert_eq!(ask("/api/state", cookie).status, 200);
            assert!(ask("/api/state", &cookie[..cookie.len() - 1]).refused(403).contains("access token"));
        }
        // Nothing is written either.
        let headers =
            [("X-Keepstill-Token", served.token.as_str()), ("Content-Type", "application/json"), ("Cookie", "a=b")];
        let decision = served.decision("sub-01", "AB", "include", json!({})).to_string();
        served.ask("POST", "/api/decide", &headers, decision.as_bytes()).refused(403);
        // Under a name that only the network knows.
        let named = format!("tern.example:{}", served.port());
        let answer = served.ask("GET", "/", &[("Host", &named)], b"");
        assert_eq!(answer.status, if everywhere { 200 } else { 403 });
        let said = served.interrupt();
        assert_eq!(said.contains("Warning: other machines can reach this address"), everywhere, "{said}");
        assert_eq!(said.contains("put the name or address of this one in place of 0.0.0.0."), everywhere, "{said}");
        assert!(said.ends_with("Ended. Nothing was decided.\n"), "{said}");
    }
}

#[test]
fn a_browser_is_started_with_an_address_for_one_use() {
    let folder = finished();
    // A program in place of the desktop's opener, that notes what it is started with.
    let opener = if cfg!(target_os = "macos") { "open" } else { "xdg-open" };
    folder.write(&format!("bin/{opener}"), "#!/bin/sh\nprintf '%s' \"$1\" > opened.part && mv opened.part opened\n");
    set_permissions(folder.join(&format!("bin/{opener}")), Permissions::from_mode(0o755)).unwrap();
    let path = format!("{}:{}", folder.join("bin").display(), std::env::var("PATH").unwrap());
    for (address, host) in [("127.0.0.1", "127.0.0.1"), ("0.0.0.0", "127.0.0.1")] {
        let served = Served::start_in(&folder, &["results", "--open", "--address", address], &[("PATH", &path)]);
        while !folder.join("opened").exists() {
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        let opened = folder.read("opened");
        folder.remove("opened");
        let target = opened.strip_prefix(&format!("http://{host}:{}", served.port())).unwrap();
        assert!(target.starts_with("/?entry=") && target.len() == 8 + 32, "{opened}");
        let (_, access) = served.url.split_once("access=").unwrap();
        assert!(!opened.contains(access));
        let ask = || served.ask("GET", target, &[("Cookie", "a=b")], b"");
        let cookie = ask().header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
        assert_eq!(cookie, served.cookie);
        assert!(ask().refused(403).contains("good for one use"));
    }
}

#[test]
fn refusals_tell_no_path_beyond_the_results() {
    let folder = finished();
    let home = folder.path().canonicalize().unwrap();
    symlink(folder.join("results"), folder.join("link")).unwrap();
    for name in ["results/", "results//", "./results", "link/"] {
        let whole = format!("{}/{name}", folder.path().display());
        let served = Served::start_in(&folder, &[&whole], &[]);
        let page = folder.read("results/cohort.html");
        folder.remove("results/cohort.html");
        let words = served.get("/").refused(404);
        assert!(words.starts_with("cohort.html: is not there"), "{words}");
        folder.write("results/cohort.html", &page);
        std::fs::create_dir(folder.join("results/review/decisions.tsv")).unwrap();
        for answer in [served.get("/api/state"), served.decide("sub-01", "AB", "include", json!({}))] {
            let words = answer.refused(500);
            assert!(words.starts_with("review/decisions.tsv: cannot"), "{words}");
            assert!(!words.contains(&home.display().to_string()), "{words}");
        }
        std::fs::remove_dir(folder.join("results/review/decisions.tsv")).unwrap();
    }
}

#[test]
fn what_cannot_be_served_is_told() {
    let folder = finished();
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    let said = folder.keepstill(&["review", "results", "--port", &port]).expect(1).stderr;
    assert!(said.contains(&format!("127.0.0.1:{port}: the port is taken")), "{said}");
    folder.write("results/cohort.html", "<p>hello</p>");
    let said = folder.keepstill(&["review", "results"]).expect(1).stderr;
    assert!(said.contains("results/cohort.html: the page carries no data"), "{said}");
    let empty = Tiny { children: 1, ..Tiny::default() }.build();
    std::fs::create_dir(empty.join("results")).unwrap();
    let said = empty.keepstill(&["review", "results"]).expect(1).stderr;
    assert!(said.contains("results/cohort.html: is not there; run the study first"), "{said}");
    assert!(empty.files("results").is_empty());
}

#[test]
fn a_wrong_folder_is_told_by_what_it_is() {
    let folder = finished();
    for more in [&[][..], &["--agreement"]] {
        let said = |name: &str| folder.keepstill(&[&["review", name], more].concat()).expect(1).stderr;
        let file = if more.is_empty() { "cohort.html" } else { "cohort.tsv" };
        for name in ["study.toml", "results/cohort.html"] {
            assert_eq!(said(name), format!("keepstill: {name}: is a file; name the results folder of a study\n"));
        }
        let expected = format!("keepstill: ./{file}: is not there, but ./results has results; name that folder\n");
        assert_eq!(said("."), expected);
        let below = said("results/sub-01");
        assert!(
            below.ends_with(&format!(
                "results/sub-01/{file}: is not there; run the study first (keepstill run STUDY)\n"
            ))
        );
    }
    assert!(!folder.join("review").exists(), "nothing is made in a wrong folder");
}

#[test]
fn results_without_pages_are_told_of_at_the_start() {
    let words = "No child has a page, and children can be decided on only with pages: set output.pages = true in the \
        study file and run it again.\n";
    let settings = "[output]\npages = false\n".to_owned();
    let folder = Tiny { children: 2, settings, ..Tiny::default() }.build();
    folder.run(&[]).expect(0);
    let said = Served::start(&folder).interrupt();
    assert_eq!(said.matches(words).count(), 1, "{said}");
    folder.edit("study.toml", "pages = false", "pages = true");
    folder.run(&[]).expect(0);
    assert!(!Served::start(&folder).interrupt().contains("has a page"));
    // Of some without pages their own address tells.
    change_cohort(&folder, |data| data.rows[0].page = None);
    assert!(!Served::start(&folder).interrupt().contains("has a page"));
}

#[test]
fn a_cohort_page_that_goes_or_breaks_is_told_and_comes_back() {
    let folder = finished();
    let served = Served::start(&folder);
    let page = folder.read("results/cohort.html");
    folder.remove("results/cohort.html");
    assert!(served.get("/").refused(404).contains("cohort.html: is not there"));
    folder.write("results/cohort.html", "<p>half");
    assert!(served.get("/api/state").refused(500).contains("cohort.html: the page carries no data"));
    folder.write("results/cohort.html", &page);
    let children: Value = served.state();
    assert_eq!(children["children"].as_object().unwrap().len(), 3);
}
