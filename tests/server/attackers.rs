//! What somebody on the same network gets who is not let in, or breaks the rules: a refusal within its limit, and nobody else is held up.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::atomic::Ordering;
use std::time::Duration;

use tungstenite::Message;

use crate::phone::{COOKIE, Rig, answer, hello, is_sent_away, now, pause, sound, status, text};

#[test]
fn requests_for_other_hosts_and_from_other_pages_are_refused() {
    let rig = Rig::start(&["Rowan"]);
    let cookie = rig.pair();
    let rebound = rig.ask("GET / HTTP/1.1\r\nHost: rig.example\r\nConnection: close\r\n\r\n");
    assert_eq!(status(&rebound), 403, "{rebound}");
    let nobody = rig.ask("GET / HTTP/1.1\r\nConnection: close\r\n\r\n");
    assert!([400, 403].contains(&status(&nobody)), "{nobody}");
    let token = rig.token();
    let elsewhere = ["https:/", "/evil.example"].concat();
    assert_eq!(status(&rig.post("/pair", &format!(r#"{{"token":"{token}"}}"#), &elsewhere)), 403);
    assert!(rig.socket_from(&cookie, &elsewhere).is_err());
    assert!(rig.socket_from(&cookie, "null").is_err());
    assert_eq!(status(&rig.pair_with(&token)), 204, "the invitation was not used up");
}

#[test]
fn without_a_cookie_or_with_a_wrong_one_there_is_no_socket() {
    let rig = Rig::start(&["Rowan"]);
    rig.pair();
    for cookie in ["", &"0".repeat(64), &"f".repeat(65), "../../etc/passwd"] {
        assert!(rig.socket(cookie).is_err(), "{cookie}");
    }
    let twice = format!("Cookie: {COOKIE}={}; {COOKIE}={}\r\n", "0".repeat(64), "1".repeat(64));
    assert_eq!(status(&rig.get("/crew", &twice)), 401);
    assert!(rig.run.pages.lock().unwrap().is_empty());
}

#[test]
fn whoever_guesses_tokens_is_stopped_after_five() {
    let rig = Rig::start(&[]);
    let token = rig.token();
    let statuses: Vec<u16> = (0..8).map(|n| status(&rig.pair_with(&format!("{n:032}")))).collect();
    assert_eq!(statuses, [403, 403, 403, 403, 403, 429, 429, 429]);
    assert_eq!(status(&rig.pair_with(&token)), 429, "also with the right one, from there");
    rig.pass(Duration::from_secs(12));
    assert_eq!(status(&rig.pair_with(&token)), 204);
}

#[test]
fn malformed_bodies_and_heads_are_refused_within_their_limits() {
    let rig = Rig::start(&[]);
    let origin = rig.server.place().origin();
    for body in ["", "{}", "[1]", r#"{"token":7}"#, r#"{"token":"a","more":1}"#, &"x".repeat(100_000)] {
        let found = status(&rig.post("/pair", body, &origin));
        // Of one that is far too long the rest is not waited for: the connection is cut, and the answer may be lost with it.
        assert!(found == 400 || found == 0 && body.len() > 256, "{} bytes: {found}", body.len());
    }
    let long = rig.ask(&format!("GET / HTTP/1.1\r\nHost: {}\r\nX: {}\r\n\r\n", rig.authority(), "x".repeat(20_000)));
    assert!([0, 400, 431].contains(&status(&long)), "{long}");
    for path in ["/../Cargo.toml", "/%2e%2e/paired.toml", "/paired.toml", "/authority.key.pem", "/certificate.key.pem"]
    {
        let answer = rig.get(path, "");
        assert!([400, 404].contains(&status(&answer)), "{path}: {answer}");
    }
    assert_eq!(status(&rig.get("/", "")), 200, "the server goes on");
}

#[test]
fn a_head_that_never_ends_and_a_handshake_that_never_begins_are_given_up_after_five_seconds() {
    let rig = Rig::start(&[]);
    let mut slow = rig.connect();
    slow.write_all(b"GET / HTTP/1.1\r\nHost: ").unwrap();
    let mut silent = TcpStream::connect(rig.server.place().socket()).unwrap();
    silent.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    let began = now();
    assert!([0, 408].contains(&status(&answer(&mut slow))));
    let mut byte = [0];
    assert!(!matches!(silent.read(&mut byte), Ok(1)));
    let took = began.elapsed();
    assert!((Duration::from_secs(4)..Duration::from_secs(8)).contains(&took), "{took:?}");
}

#[test]
fn messages_that_are_none_of_the_protocol_are_not_taken_and_eight_of_them_end_the_page() {
    let rig = Rig::start(&["Rowan"]);
    let mut page = rig.page("Rowan");
    for _ in 0..7 {
        page.send(Message::binary(vec![1, 2, 3])).unwrap();
    }
    page.send(sound(0)).unwrap();
    rig.wait_for("the sound", |run| run.heard.lock().unwrap().len() == 1);
    page.send(Message::text("{")).unwrap();
    assert!(is_sent_away(&mut page));
    let mut page = rig.page("Rowan");
    page.send(Message::binary(vec![0; 100_000])).unwrap();
    assert!(is_sent_away(&mut page), "a message larger than any of the protocol");
    assert_eq!(rig.run.heard.lock().unwrap().len(), 1);
}

#[test]
fn a_page_that_does_not_say_who_it_is_is_not_waited_for() {
    let rig = Rig::start(&["Rowan"]);
    let cookie = rig.pair();
    let mut silent = rig.socket(&cookie).unwrap();
    let mut rude = rig.socket(&cookie).unwrap();
    rude.send(sound(0)).unwrap();
    assert!(is_sent_away(&mut rude));
    assert!(is_sent_away(&mut silent));
    assert!(rig.run.pages.lock().unwrap().is_empty());
}

#[test]
fn a_page_that_floods_is_sent_away_and_another_goes_on() {
    let rig = Rig::start(&["Rowan", "Imre"]);
    let mut good = rig.page("Imre");
    let mut flood = rig.page("Rowan");
    for number in 0..2_000 {
        if flood.send(sound(number)).is_err() {
            break;
        }
    }
    assert!(is_sent_away(&mut flood));
    rig.wait_for("the run knows", |run| run.gone.load(Ordering::SeqCst) == 1);
    let taken = rig.run.heard.lock().unwrap().len();
    assert!(taken <= 240, "{taken} messages at once");
    good.send(Message::text(r#"{"kind":"ping","at":1.0}"#)).unwrap();
    assert_eq!(text(&mut good)["kind"], "pong");
}

#[test]
fn a_thousand_connections_leave_those_of_a_page_alone() {
    let rig = Rig::start(&["Rowan"]);
    let mut page = rig.page("Rowan");
    let socket = rig.server.place().socket();
    let held: Vec<TcpStream> = (0..1_000).filter_map(|_| TcpStream::connect(socket).ok()).collect();
    let mut slowest = Duration::ZERO;
    for at in 0..50 {
        let began = now();
        page.send(Message::text(format!(r#"{{"kind":"ping","at":{at}}}"#))).unwrap();
        assert_eq!(text(&mut page)["at"].as_f64(), Some(f64::from(at)));
        slowest = slowest.max(began.elapsed());
        pause(Duration::from_millis(20));
    }
    assert!(slowest < Duration::from_millis(500), "{slowest:?} for an answer beside {} connections", held.len());
    drop(held);
    rig.wait_for("room again", |_| rig.try_connect(&crate::phone::clicked_through()).is_ok());
    assert_eq!(rig.run.gone.load(Ordering::SeqCst), 0);
}

#[test]
fn a_connection_that_is_cut_is_told_to_the_run() {
    let rig = Rig::start(&["Rowan"]);
    let mut page = rig.page("Rowan");
    page.send(sound(0)).unwrap();
    page.get_mut().sock.shutdown(std::net::Shutdown::Both).unwrap();
    rig.wait_for("the run knows", |run| run.gone.load(Ordering::SeqCst) == 1);
    let mut again = rig.socket(&rig.pair()).unwrap();
    again.send(hello("Rowan")).unwrap();
    assert_eq!(text(&mut again)["kind"], "welcome");
}
