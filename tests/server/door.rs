//! Pairing, pages and messages as a phone meets them.

use std::io::{Read, Write};
use std::time::Duration;

use sparehand::server::protocol::{Button, Message as Said, ToPage, Up};
use tungstenite::Message;

use crate::phone::{COOKIE, Rig, Stream, answer, hello, is_sent_away, now, sound, speech, status, text, trusting};

#[test]
fn the_page_comes_with_its_policy_and_whoever_trusts_the_authority_sees_no_warning() {
    let rig = Rig::start(&[]);
    let answer = rig.get("/", "");
    assert_eq!(status(&answer), 200, "{answer}");
    let head = answer.split("\r\n\r\n").next().unwrap().to_ascii_lowercase();
    for wanted in
        ["content-security-policy: default-src 'none'", "x-content-type-options: nosniff", "cache-control: no-store"]
    {
        assert!(head.contains(wanted), "{head}");
    }
    assert!(rig.try_connect(&trusting(rig.server.authority())).is_ok());
    let stranger = Rig::start(&[]);
    assert!(
        rig.try_connect(&trusting(stranger.server.authority())).is_err(),
        "another rig's authority vouches for nothing here"
    );
}

#[test]
fn a_phone_is_let_in_once_by_an_invitation_and_stays_known_to_the_next_run() {
    let rig = Rig::start(&["Rowan", "Imre"]);
    assert_eq!(status(&rig.get("/crew", "")), 401);
    let token = rig.token();
    let paired = rig.pair_with(&token);
    assert_eq!(status(&paired), 204, "{paired}");
    assert_eq!(status(&rig.pair_with(&token)), 403, "an invitation is good once");
    let cookie = rig.pair();
    let crew = rig.get("/crew", &format!("Cookie: {COOKIE}={cookie}\r\n"));
    assert!(crew.contains(r#""people":["Rowan","Imre"]"#), "{crew}");
    assert_eq!(rig.run.paired.load(std::sync::atomic::Ordering::SeqCst), 2);
    assert!(rig.socket(&cookie).is_ok());
    // What is kept is in the folder; the next run reads it there.
    let kept = sparehand::server::kept::Kept::open(&rig.folder.path().join("phones")).unwrap();
    assert!(kept.phones().unwrap().with_cookie(&cookie).is_some());
}

#[test]
fn a_phone_that_somebody_began_with_is_kept_with_who_and_when() {
    let rig = Rig::start(&["Rowan"]);
    let _page = rig.page("Rowan");
    let kept = sparehand::server::kept::Kept::open(&rig.folder.path().join("phones")).unwrap();
    let is_here = |_| {
        sparehand::setup::clock::pause(Duration::from_millis(50));
        let phones = kept.phones().unwrap().phone;
        phones.iter().any(|phone| phone.name == "Rowan" && !phone.seen.is_empty() && phone.seen == phone.since)
    };
    assert!((0..100).any(is_here), "{:?}", kept.phones().unwrap());
}

#[test]
fn an_invitation_runs_out_after_two_minutes() {
    let rig = Rig::start(&[]);
    let token = rig.token();
    rig.pass(Duration::from_secs(120));
    assert_eq!(status(&rig.pair_with(&token)), 403);
    assert_eq!(status(&rig.pair_with(&rig.token())), 204);
}

#[test]
fn sound_and_buttons_arrive_as_they_were_sent_and_speech_comes_back() {
    let rig = Rig::start(&["Rowan"]);
    let mut page = rig.page("Rowan");
    for number in 0..50 {
        page.send(sound(number)).unwrap();
    }
    page.send(Message::text(r#"{"kind":"press","what":"confirm","question":3,"words":"cap on"}"#)).unwrap();
    rig.wait_for("51 messages", |run| run.heard.lock().unwrap().len() == 51);
    let heard = rig.run.heard.lock().unwrap().clone();
    for (number, up) in heard[..50].iter().enumerate() {
        let Up::Sound(frame) = up else { panic!("found {up:?}, expected sound") };
        assert_eq!((frame.number as usize, frame.mic[0] as usize, frame.mic.len()), (number, number, 320));
    }
    let press = Said::Press { what: Button::Confirm, question: 3, words: "cap on".to_owned() };
    assert_eq!(heard[50], Up::Message(press));

    let way = rig.run.pages.lock().unwrap()[0].1.clone();
    way.speak(&[0.5; 480]);
    way.tell(ToPage::Hush);
    let Message::Binary(bytes) = page.read().unwrap() else { panic!("expected speech") };
    assert_eq!(speech(&bytes), [16_384; 480]);
    assert_eq!(text(&mut page)["kind"], "hush");
    rig.pass(Duration::from_millis(1_234));
    page.send(Message::text(r#"{"kind":"ping","at":17.5}"#)).unwrap();
    let pong = text(&mut page);
    assert_eq!((pong["at"].as_f64(), pong["now"].as_u64()), (Some(17.5), Some(1_234)));
}

#[test]
fn a_name_that_nobody_has_and_another_version_are_told_why() {
    let rig = Rig::start(&["Rowan"]);
    let cookie = rig.pair();
    let mut page = rig.socket(&cookie).unwrap();
    page.send(hello("Mallory")).unwrap();
    assert_eq!(text(&mut page)["why"], "stranger");
    assert!(is_sent_away(&mut page));
    let mut page = rig.socket(&cookie).unwrap();
    page.send(Message::text(r#"{"kind":"hello","version":99,"names":["Rowan"],"part":"screen"}"#)).unwrap();
    assert_eq!(text(&mut page)["why"], "version");
    assert!(rig.run.pages.lock().unwrap().is_empty());
}

#[test]
fn a_phone_that_is_forgotten_meanwhile_is_sent_away_and_stays_out() {
    let rig = Rig::start(&["Rowan"]);
    let cookie = rig.pair();
    let mut page = rig.socket(&cookie).unwrap();
    page.send(hello("Rowan")).unwrap();
    text(&mut page);
    let kept = sparehand::server::kept::Kept::open(&rig.folder.path().join("phones")).unwrap();
    rig.wait_for("the list says who uses it", |_| kept.phones().unwrap().phone[0].name == "Rowan");
    let mut phones = kept.phones().unwrap();
    assert_eq!(phones.forget("Rowan"), 1);
    kept.keep_phones(&phones).unwrap();
    assert!(is_sent_away(&mut page));
    rig.wait_for("the run knows", |run| run.gone.load(std::sync::atomic::Ordering::SeqCst) == 1);
    assert!(rig.socket(&cookie).is_err());
}

#[test]
fn a_page_is_told_that_the_run_is_over_before_the_server_goes() {
    let rig = Rig::start(&["Rowan", "Imre"]);
    let (mut socket, line) = (rig.page("Rowan"), open_line(&rig));
    let pages: Vec<_> = rig.run.pages.lock().unwrap().iter().map(|(_, page)| page.clone()).collect();
    for page in pages {
        page.tell(ToPage::Over);
        page.close();
    }
    let began = now();
    drop(rig);
    assert!(began.elapsed() < Duration::from_millis(600), "{:?}", began.elapsed());
    assert_eq!(text(&mut socket)["kind"], "over");
    assert!(is_sent_away(&mut socket));
    let mut down = line;
    read_until(&mut down, "over");
}

#[test]
fn a_command_that_holds_the_folder_holds_up_no_page() {
    let rig = Rig::start(&["Rowan"]);
    let cookie = rig.pair();
    let token = rig.token();
    let kept = sparehand::server::kept::Kept::open(&rig.folder.path().join("phones")).unwrap();
    let held = kept.lock().unwrap();
    let began = now();
    let mut page = rig.socket(&cookie).unwrap();
    page.send(hello("Rowan")).unwrap();
    assert_eq!(text(&mut page)["kind"], "welcome");
    std::thread::scope(|scope| {
        let pairing = scope.spawn(|| status(&rig.pair_with(&token)));
        for at in 0..20 {
            page.send(Message::text(format!(r#"{{"kind":"ping","at":{at}}}"#))).unwrap();
            assert_eq!(text(&mut page)["kind"], "pong");
        }
        assert!(began.elapsed() < Duration::from_secs(3), "{:?}", began.elapsed());
        drop(held);
        assert_eq!(pairing.join().unwrap(), 204, "it waited for the folder, alone");
    });
}

#[test]
fn an_invitation_that_a_command_asks_for_lets_one_phone_in_beside_the_one_that_is_shown() {
    let rig = Rig::start(&[]);
    let shown = rig.token();
    let kept = sparehand::server::kept::Kept::open(&rig.folder.path().join("phones")).unwrap();
    assert_eq!(kept.address().unwrap().unwrap(), rig.server.place().to_string());
    let token = "5".repeat(32);
    kept.ask_for_invitation(&sparehand::server::pairing::SecretHash::of(&token)).unwrap();
    rig.wait_for("it is taken up", |_| !kept.is_asked_for());
    assert_eq!(status(&rig.pair_with(&token)), 204);
    assert_eq!(status(&rig.pair_with(&token)), 403, "once");
    assert_eq!(status(&rig.pair_with(&shown)), 204);
    drop(rig.server);
    assert_eq!(kept.address().unwrap(), None, "no run is found any more");
}

#[test]
fn nothing_listens_any_more_once_the_server_is_gone() {
    let rig = Rig::start(&[]);
    let socket = rig.server.place().socket();
    drop(rig);
    assert!(std::net::TcpStream::connect(socket).is_err());
}

/// A message as it stands in the body of a request.
fn framed(kind: u8, message: &[u8]) -> Vec<u8> {
    [&u32::try_from(message.len()).unwrap().to_le_bytes()[..], &[kind], message].concat()
}

fn send_by_line(rig: &Rig, line: &str, cookie: &str, body: &[u8]) -> u16 {
    let (host, origin, length) = (rig.authority(), rig.server.place().origin(), body.len());
    let head = format!(
        "POST /line/{line} HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nCookie: {COOKIE}={cookie}\r\nConnection: close\r\nContent-Length: {length}\r\n\r\n"
    );
    let mut stream = rig.connect();
    stream.write_all(&[head.as_bytes(), body].concat()).unwrap();
    status(&answer(&mut stream))
}

/// A page that is told by a response, taken as Imre.
fn open_line(rig: &Rig) -> Stream {
    let cookie = rig.pair();
    let mut down = rig.connect();
    let (host, origin) = (rig.authority(), rig.server.place().origin());
    let open = format!(
        "POST /line HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nCookie: {COOKIE}={cookie}\r\nContent-Length: 0\r\n\r\n"
    );
    down.write_all(open.as_bytes()).unwrap();
    let head = read_until(&mut down, "\r\n\r\n");
    let line = head.lines().find_map(|text| text.strip_prefix("line: ")).unwrap_or_else(|| panic!("{head}"));
    let hello = br#"{"kind":"hello","version":4,"names":["Imre"],"part":"station"}"#;
    assert_eq!(send_by_line(rig, line, &cookie, &framed(0, hello)), 204);
    read_until(&mut down, "welcome");
    down
}

/// Reads until this has come.
fn read_until(stream: &mut Stream, wanted: &str) -> String {
    let mut all = Vec::new();
    while !String::from_utf8_lossy(&all).contains(wanted) {
        let mut piece = [0; 1_024];
        let count = stream.read(&mut piece).unwrap();
        assert!(count > 0, "ended without {wanted}: {}", String::from_utf8_lossy(&all));
        all.extend(&piece[..count]);
    }
    String::from_utf8_lossy(&all).into_owned()
}

#[test]
fn a_browser_that_opens_no_socket_sends_by_requests_and_is_told_by_one_response() {
    let rig = Rig::start(&["Rowan"]);
    let (cookie, stranger) = (rig.pair(), rig.pair());
    let mut down = rig.connect();
    let (host, origin) = (rig.authority(), rig.server.place().origin());
    let open = |cookie: &str| {
        format!(
            "POST /line HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nCookie: {COOKIE}={cookie}\r\nContent-Length: 0\r\n\r\n"
        )
    };
    down.write_all(open(&cookie).as_bytes()).unwrap();
    let head = read_until(&mut down, "\r\n\r\n");
    let line = head.lines().find_map(|text| text.strip_prefix("line: ")).unwrap_or_else(|| panic!("{head}")).to_owned();
    let hello = br#"{"kind":"hello","version":4,"names":["Rowan"],"part":"station"}"#;
    assert_eq!(send_by_line(&rig, &line, &stranger, &framed(0, hello)), 410, "another phone's line");
    let Message::Binary(first) = sound(0) else { panic!("sound is binary") };
    let body = [framed(0, hello), framed(1, &first)].concat();
    assert_eq!(send_by_line(&rig, &line, &cookie, &body), 204);
    read_until(&mut down, "welcome");
    rig.wait_for("the sound", |run| run.heard.lock().unwrap().len() == 1);
    rig.run.pages.lock().unwrap()[0].1.tell(ToPage::Hush);
    read_until(&mut down, "hush");
    assert_eq!(send_by_line(&rig, &line, &cookie, &[9, 9]), 400);
    drop(down);
    rig.run.pages.lock().unwrap()[0].1.tell(ToPage::Hush);
    rig.wait_for("the run knows", |run| run.gone.load(std::sync::atomic::Ordering::SeqCst) == 1);
    assert_eq!(send_by_line(&rig, &line, &cookie, &framed(0, b"{}")), 410);
    assert!(rig.ask(&open("0")).starts_with("HTTP/1.1 401"));
}

#[test]
fn several_share_a_page_as_ear_and_mouth_in_the_order_of_the_run_and_not_as_a_screen() {
    let rig = Rig::start(&["Rowan", "Imre", "Sky"]);
    let hello = |names: &str, part: &str| {
        Message::text(format!(r#"{{"kind":"hello","version":4,"names":[{names}],"part":"{part}"}}"#))
    };
    let mut page = rig.socket(&rig.pair()).unwrap();
    page.send(hello(r#""Sky","Rowan""#, "station")).unwrap();
    let welcome = text(&mut page);
    assert_eq!((&welcome["kind"], &welcome["names"]), (&"welcome".into(), &serde_json::json!(["Rowan", "Sky"])));
    assert_eq!(rig.run.pages.lock().unwrap()[0].0, "Rowan+Sky");
    for (names, part) in [
        (r#""Rowan","Sky""#, "screen"),
        (r#""Rowan","Rowan""#, "station"),
        (r#""Rowan","Mallory""#, "station"),
        ("", "station"),
    ] {
        let mut page = rig.socket(&rig.pair()).unwrap();
        page.send(hello(names, part)).unwrap();
        let refused = text(&mut page);
        assert_eq!((&refused["kind"], &refused["why"]), (&"refused".into(), &"stranger".into()), "{names} as {part}");
    }
    // Either name forgets the phone that both use.
    let kept = sparehand::server::kept::Kept::open(&rig.folder.path().join("phones")).unwrap();
    rig.wait_for("the list says who uses it", |_| kept.phones().unwrap().phone[0].name == "Rowan, Sky");
    assert_eq!(kept.phones().unwrap().forget("sky"), 1);
}

#[test]
fn a_new_certificate_is_told_where_phones_were_let_in_before_and_what_to_do_depends_on_the_authority() {
    let mut rig = Rig::start(&["Rowan"]);
    assert_eq!(rig.server.to_tell(), None, "no phone knows another one");
    rig.pair();
    rig.restart();
    assert_eq!(rig.server.to_tell(), None, "it is the same");
    let phones = rig.folder.path().join("phones");
    std::fs::remove_file(phones.join("certificate.pem")).unwrap();
    rig.restart();
    let once_more = rig.server.to_tell().expect("phones warn once more").to_owned();
    std::fs::remove_file(phones.join("authority.pem")).unwrap();
    rig.restart();
    let anew = rig.server.to_tell().expect("phones trust it no more").to_owned();
    assert!(
        once_more.contains("warn once more") && anew.contains("take the old certificate off"),
        "{once_more} {anew}"
    );
    rig.restart();
    assert_eq!(rig.server.to_tell(), None, "once");
}
