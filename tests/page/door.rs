//! Who gets in and what they may send: sessions, tokens, other sites' forms, guessing.

use crate::house::trouble;
use crate::server::{self, PASSWORD};
use warmside::engine::event::Order;
use warmside::terms::time::Span;

#[test]
fn without_login_nothing_is_read_but_that_it_lives() {
    let server = server::locked(trouble());
    for path in
        crate::PAGES.iter().chain(crate::FOR_PROGRAMS).chain(&["/live/wall", "/live/e/a3", "/nowhere", "/live.js"])
    {
        let got = server.get(path, &[]);
        assert!([303, 401].contains(&got.status), "{path}: {}", got.status);
        let text = got.text();
        for secret in ["Juno", "a3", "Hollow Lane", "27.2"] {
            assert!(!text.contains(secret), "{path} tells {secret}");
        }
    }
    assert_eq!(server.get("/alive", &[]).status, 200);
    assert_eq!(server.get("/alive", &[]).text(), "alive\n");
    let cookie = server.login();
    for path in crate::PAGES.iter().chain(crate::FOR_PROGRAMS) {
        assert_eq!(server.get(path, &[("cookie", &cookie)]).status, 200, "{path}");
    }
}

#[test]
fn without_login_nothing_is_done() {
    let server = server::locked(trouble());
    for path in [
        "/e/a3/mark",
        "/e/a3/hands-in",
        "/i/7Q/acknowledge",
        "/i/7Q/take-back",
        "/drill",
        "/logout",
        "/setup/hear",
        "/setup/tie",
        "/setup/untie",
        "/setup/touch",
        "/setup/seal",
    ] {
        let got = server.post(path, &[], "by=ines&mark=fed&minutes=20&token=");
        assert_eq!(got.status, 401, "{path}");
    }
    assert!(server.said.lock().unwrap().is_empty() && server.wished.lock().unwrap().is_empty());
}

#[test]
fn a_link_in_a_mail_shows_and_only_its_button_acts() {
    let server = server::open(trouble());
    let page = server.get("/i/7Q", &[]);
    assert_eq!(page.status, 200);
    assert!(server.said.lock().unwrap().is_empty(), "GET only looks");
    let got = server.post("/i/7Q/acknowledge", &[], &format!("token={}&by=ines", page.token()));
    assert_eq!((got.status, got.header("location").starts_with("/e/a3?told=")), (303, true), "{}", got.text());
    let said = server.said.lock().unwrap().clone();
    assert_eq!(said[0].by, "ines");
    assert_eq!(said[0].order, Order::AcknowledgeIncident { incident: "7Q".into() });
    let after = server.get(got.header("location"), &[]).text();
    assert!(after.contains("Heard ines."), "the engine's words are shown");
    assert!(got.cookies.iter().any(|c| c.starts_with("warmside_who=ines; ") && c.contains("HttpOnly")));
}

#[test]
fn a_form_needs_its_token_its_origin_and_somebody() {
    let server = server::open(trouble());
    let token = server.get("/e/a3", &[]).token();
    let own = format!("http://{}", server.at);
    let good = format!("token={token}&by=ines&minutes=20");
    for (headers, form, want) in [
        (vec![("origin", own.as_str())], format!("token={}&by=ines&minutes=20", "x".repeat(43)), 403),
        (vec![("origin", own.as_str())], "by=ines&minutes=20".to_owned(), 403),
        (vec![("origin", "http://evil.example")], good.clone(), 403),
        (vec![("origin", "null")], good.clone(), 403),
        (vec![("sec-fetch-site", "cross-site")], good.clone(), 403),
        (vec![("host", "evil.example")], good.clone(), 421),
        (vec![], format!("token={token}&by=nobody&minutes=20"), 422),
        (vec![], format!("token={token}&minutes=20"), 422),
        (vec![], format!("token={token}&by=ines&minutes=0"), 422),
        (vec![], format!("token={token}&by=ines&minutes=100000"), 422),
    ] {
        let got = server.post("/e/a3/hands-in", &headers, &form);
        assert_eq!(got.status, want, "{headers:?} {form}");
    }
    assert!(server.said.lock().unwrap().is_empty());
    assert_eq!(server.post("/e/a3/hands-in", &[("origin", own.as_str())], &good).status, 303);
    let said = server.said.lock().unwrap().clone();
    assert_eq!(said[0].order, Order::HandsIn { enclosure: "a3".into(), length: Span::min(20) });
}

#[test]
fn forms_say_what_they_say() {
    let server = server::open(trouble());
    let token = server.get("/e/a3", &[]).token();
    for (path, fields, want) in [
        ("/e/a3/shelve", "until=2026-03-03T16:30", 303),
        ("/e/a3/shelve", "until=2026-03-03T14:30", 422),
        ("/e/a3/shelve", "until=2026-03-12T14:30", 422),
        ("/e/a3/shelve", "until=tomorrow", 422),
        ("/e/b8/unshelve", "", 303),
        ("/e/b4/hands-out", "", 303),
        ("/e/a3/mark", "mark=lamp-changed", 303),
        ("/e/a3/mark", "note=spare%20fitted%0d%0aX", 303),
        ("/e/a3/mark", "note=", 422),
        ("/e/a3/strike", "what=fed", 303),
        ("/i/7Q/take-back", "", 303),
        ("/i/7Q/burn", "", 404),
        ("/e/a3/burn", "", 404),
        ("/e/zz/mark", "mark=fed", 404),
        ("/i/zz/acknowledge", "", 404),
        ("/drill", "", 303),
    ] {
        let got = server.post(path, &[], &format!("token={token}&by=tom&{fields}"));
        assert_eq!(got.status, want, "{path} {fields}: {}", got.text());
    }
    let said: Vec<Order> = server.said.lock().unwrap().iter().map(|c| c.order.clone()).collect();
    let a3 = || "a3".to_owned();
    assert_eq!(
        said,
        [
            Order::Shelve { enclosure: a3(), until: crate::house::at("16:30") },
            Order::Unshelve { enclosure: "b8".into() },
            Order::HandsIn { enclosure: "b4".into(), length: Span::ZERO },
            Order::Mark { enclosure: a3(), what: "lamp-changed".into() },
            Order::Mark { enclosure: a3(), what: "spare fittedX".into() },
            Order::Strike { enclosure: a3(), what: "fed".into() },
            Order::TakeBack { incident: "7Q".into() },
            Order::Drill,
        ]
    );
}

#[test]
fn guessing_is_slowed_and_logging_out_ends_it() {
    let server = server::locked(trouble());
    let cookie = server.login();
    let got = server.post("/login", &[], "password=warm+stones&to=//evil.example");
    assert_eq!(got.header("location"), "/", "never to another site");
    for flag in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(got.cookies[0].contains(flag), "{}", got.cookies[0]);
    }
    let by_proxy = server.post("/login", &[("x-forwarded-proto", "https")], "password=warm+stones");
    assert!(by_proxy.cookies[0].ends_with("; Secure"));

    let token = server.get("/", &[("cookie", &cookie)]).token();
    let other = server.login();
    let stolen = server.post("/drill", &[("cookie", &other)], &format!("by=ines&token={token}"));
    assert_eq!(stolen.status, 403, "a token is of one session");
    assert_eq!(server.post("/logout", &[("cookie", &cookie)], &format!("token={token}")).status, 303);
    assert_eq!(server.get("/", &[("cookie", &cookie)]).status, 303);

    let statuses: Vec<u16> = (0..8).map(|_| server.post("/login", &[], "password=wrong").status).collect();
    assert_eq!(statuses[0], 401);
    assert!(statuses.contains(&429), "{statuses:?}");
    assert_eq!(server.post("/login", &[], "password=warm+stones").status, 429, "not even the right one, for a while");
    assert_eq!(server.get("/", &[("cookie", &other)]).status, 200, "who is in stays in");
}

#[test]
fn programs_bring_the_password_and_browsers_do_not_offer_it() {
    let server = server::locked(trouble());
    let right = format!("Bearer {PASSWORD}");
    for path in crate::FOR_PROGRAMS {
        assert_eq!(server.get(path, &[("authorization", &right)]).status, 200, "{path}");
        let wrong = server.get(path, &[("authorization", "Bearer wrong")]).status;
        assert!([401, 429].contains(&wrong), "{path}: {wrong}");
        assert!(!server.get(path, &[]).headers.contains_key("www-authenticate"));
    }
    assert_eq!(server.get("/", &[("authorization", &right)]).status, 303, "pages are for sessions");
}

#[test]
fn every_answer_is_dressed() {
    let server = server::locked(trouble());
    for path in ["/", "/alive", "/login", "/style.css", "/nowhere", "/api/1/house"] {
        let got = server.get(path, &[]);
        let csp = got.header("content-security-policy");
        assert!(csp.starts_with("default-src 'none'") && !csp.contains("unsafe"), "{path}: {csp}");
        assert_eq!(got.header("x-content-type-options"), "nosniff", "{path}");
        assert_eq!(got.header("x-frame-options"), "DENY", "{path}");
        if path != "/style.css" {
            assert_eq!(got.header("cache-control"), "no-store", "{path}");
        }
    }
}

#[test]
fn a_link_from_elsewhere_is_looked_at_once_more_from_here() {
    let server = server::locked(trouble());
    let from_mail = server.get("/i/7Q", &[("sec-fetch-site", "cross-site")]);
    assert_eq!(from_mail.status, 200);
    assert!(from_mail.text().contains("http-equiv=\"refresh\"") && !from_mail.text().contains("Juno"));
    assert_eq!(server.get("/i/7Q", &[("sec-fetch-site", "same-origin")]).status, 303);
}

#[test]
fn pages_hold_no_inline_script_or_style_and_ask_nothing_of_elsewhere() {
    let server = server::open(trouble());
    for path in crate::PAGES {
        let text = server.get(path, &[]).text();
        assert!(!text.contains(" style=\"") && !text.contains("<style") && !text.contains("javascript:"), "{path}");
        assert!(!text.contains("<script>") && !text.contains(" onclick") && !text.contains(" onload"), "{path}");
        for link in text.split(" src=\"").chain(text.split(" href=\"")).skip(1).filter_map(|t| t.split('"').next()) {
            assert!(!link.starts_with("http") && !link.starts_with("//"), "{path}: {link}");
        }
    }
}

#[test]
fn what_was_said_by_mistake_is_taken_back_for_a_while() {
    let server = server::open(trouble());
    let token = server.get("/e/a3", &[]).token();
    let undone = |path: &str, fields: &str| {
        let got = server.post(path, &[], &format!("token={token}&by=tom&{fields}"));
        let after = server.get(got.header("location"), &[]).text();
        let told = after.split("class=\"told\"").nth(1).unwrap_or("").split("</div>").next().unwrap_or("").to_owned();
        let action = told.split("action=\"").nth(1).map(|a| a.split('"').next().unwrap_or("").to_owned());
        (action, told, got.header("location").to_owned())
    };
    for (path, fields, want) in [
        ("/i/7Q/acknowledge", "", Some("/i/7Q/take-back")),
        ("/e/a3/hands-in", "minutes=20", Some("/e/a3/hands-out")),
        ("/e/a3/shelve", "until=2026-03-03T16:30", Some("/e/a3/unshelve")),
        ("/e/b8/unshelve", "", Some("/e/b8/shelve")),
        ("/e/a3/mark", "mark=fed", Some("/e/a3/strike")),
        ("/e/a3/mark", "note=spare+in", Some("/e/a3/strike")),
        // It has made the watcher forget already.
        ("/e/a3/mark", "mark=lamp-changed", None),
        ("/e/a3/hands-out", "", None),
        ("/e/a3/strike", "what=fed", None),
    ] {
        let (action, told, _) = undone(path, fields);
        assert_eq!(action.as_deref(), want, "{path} {fields}: {told}");
        assert_eq!(told.contains("until 14:41"), want.is_some(), "{told}");
    }
    let (_, told, location) = undone("/e/a3/mark", "note=spare+in");
    assert!(told.contains("name=\"what\" value=\"spare in\"") && told.contains("name=\"by\" value=\"tom\""), "{told}");
    let mut later = trouble();
    later.at.wall = later.at.wall + Span::min(11);
    server.view.send_replace(std::sync::Arc::new(later));
    assert!(!server.get(&location, &[]).text().contains("Undo"), "not for ever");
}

#[test]
fn an_answer_can_be_taken_back_from_the_page_itself() {
    let answered = |min: i64| {
        let mut view = trouble();
        let at = view.at.wall - Span::min(min);
        view.incidents.iter_mut().filter(|i| i.id == "7Q").for_each(|i| i.answered = Some(("ines".to_owned(), at)));
        server::open(view).get("/e/a3", &[]).text()
    };
    assert!(answered(2).contains("action=\"/i/7Q/take-back\""));
    assert!(!answered(11).contains("take-back"));
}
