//! Who may come in: an invitation that somebody at the rig reads off its screen is exchanged once for a cookie that lasts until it is forgotten. Pure:
//! time and random bytes are passed in. Neither token nor cookie is kept, only what each hashes to.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::server::connections::counted_as;
use crate::server::limits::{Allowance, PAIRINGS};
use crate::units::SessionTime;

/// 128 bits, once.
pub type TokenBytes = [u8; 16];
/// 256 bits, until it is forgotten.
pub type CookieBytes = [u8; 32];

/// The door of one run.
#[derive(Debug, Default)]
pub struct Door {
    /// What the rig shows.
    shown: Option<Invited>,
    /// What somebody asked for by a command.
    asked_for: Option<Invited>,
    attempts: BTreeMap<IpAddr, Allowance>,
}

#[derive(Debug)]
struct Invited {
    hash: SecretHash,
    until: SessionTime,
    state: InvitationUse,
}

/// What became of the invitation that the rig shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum InvitationUse {
    /// It is still good.
    Open,
    /// It let a phone in.
    Used,
    /// There is none, or its time is over.
    Over,
}

/// Why nobody is let in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotPaired {
    /// Too many attempts from this address.
    TooOften,
    /// The token is none, used, expired, or another.
    NotInvited,
}

impl Door {
    /// A new invitation, good for two minutes or until it is used; the one before is good no more. Gives the token as it stands in the address.
    pub fn invite(&mut self, now: SessionTime, random: TokenBytes) -> String {
        let token = hex(&random);
        self.shown = Some(Invited::new(SecretHash::of(&token), now));
        token
    }

    /// The same for a token that somebody else has made: beside the one that is shown, and instead of the one that was asked for before.
    pub fn invite_also(&mut self, now: SessionTime, hash: SecretHash) {
        self.asked_for = Some(Invited::new(hash, now));
    }

    /// What became of the newest invitation that is shown.
    pub fn shown_is(&self, now: SessionTime) -> InvitationUse {
        match &self.shown {
            Some(Invited { state: InvitationUse::Used, .. }) => InvitationUse::Used,
            Some(invited) if invited.is_good(now) => InvitationUse::Open,
            _ => InvitationUse::Over,
        }
    }

    /// The invitation that is shown is good no more; one that a command asked for still is.
    pub fn shut(&mut self) {
        self.shown = None;
    }

    /// Somebody at `from` brings a token. Gives the cookie that they are known by from now on, and what is to be kept of it.
    ///
    /// # Errors
    /// See [`NotPaired`]. A wrong token uses up nothing but the sender's attempts.
    pub fn redeem(
        &mut self,
        now: SessionTime,
        from: IpAddr,
        token: &str,
        random: CookieBytes,
    ) -> Result<(String, SecretHash), NotPaired> {
        let from = counted_as(from);
        if !self.attempts.contains_key(&from) && self.attempts.len() >= MOST_ADDRESSES {
            // Whoever has the most tries left loses the least by being forgotten; refusing strangers would shut everybody out.
            let left = self.attempts.iter_mut().map(|(address, allowance)| (allowance.left(now), *address));
            if let Some((_, spare)) = left.max() {
                self.attempts.remove(&spare);
            }
        }
        if !self.attempts.entry(from).or_insert_with(|| Allowance::full(PAIRINGS, now)).take(now) {
            return Err(NotPaired::TooOften);
        }
        let hash = SecretHash::of(token);
        let mut invited = self.shown.iter_mut().chain(self.asked_for.iter_mut());
        invited.find(|invited| invited.is_good(now) && invited.hash == hash).ok_or(NotPaired::NotInvited)?.state =
            InvitationUse::Used;
        let cookie = hex(&random);
        let hash = SecretHash::of(&cookie);
        Ok((cookie, hash))
    }
}

impl Invited {
    fn new(hash: SecretHash, now: SessionTime) -> Self {
        Self { hash, until: now + INVITED_FOR, state: InvitationUse::Open }
    }

    fn is_good(&self, now: SessionTime) -> bool {
        self.state == InvitationUse::Open && now < self.until
    }
}

/// A phone that was let in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PairedPhone {
    /// Counted from 1; given once.
    pub number: u32,
    /// Who used it last; empty where nobody is named.
    pub name: String,
    /// When it was let in, by the rig's calendar.
    pub since: String,
    /// When somebody began with it last, by the rig's calendar; empty where nobody ever did.
    #[serde(default)]
    pub seen: String,
    /// What its browser says that it is; empty where it does not.
    #[serde(default)]
    pub kind: String,
    /// What its cookie hashes to.
    pub hash: SecretHash,
}

impl PairedPhone {
    /// Whether this is the name of whoever used it last, or of one of those who share it.
    fn is_used_by(&self, name: &str) -> bool {
        self.name.split(", ").any(|own| own.eq_ignore_ascii_case(name))
    }
}

/// Every phone that was let in and not forgotten.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PairedPhones {
    /// The number of the last one.
    #[serde(default)]
    pub last: u32,
    /// In the order in which they came.
    #[serde(default)]
    pub phone: Vec<PairedPhone>,
}

impl PairedPhones {
    /// Lets one in. Of more than 32 the oldest is forgotten. Gives its number.
    pub fn add(&mut self, since: String, kind: String, hash: SecretHash) -> u32 {
        self.last += 1;
        let (name, seen) = (String::new(), String::new());
        self.phone.push(PairedPhone { number: self.last, name, since, seen, kind, hash });
        let surplus = self.phone.len().saturating_sub(MOST_PHONES);
        self.phone.drain(..surplus);
        self.last
    }

    /// The phone with this cookie.
    pub fn with_cookie(&self, cookie: &str) -> Option<&PairedPhone> {
        let hash = SecretHash::of(cookie);
        self.phone.iter().find(|phone| phone.hash == hash)
    }

    /// Forgets the phone of this number, or all of whoever is called so; says how many.
    pub fn forget(&mut self, which: &str) -> usize {
        let before = self.phone.len();
        let number: Option<u32> = which.parse().ok();
        self.phone.retain(|phone| Some(phone.number) != number && !phone.is_used_by(which));
        before - self.phone.len()
    }
}

/// SHA-256 of a secret of 128 bits or more, in hexadecimal digits. The secrets are random: there is nothing to guess that salt would guard.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SecretHash(String);

impl SecretHash {
    /// Of a secret as it is sent.
    pub fn of(secret: &str) -> Self {
        Self(hex(&Sha256::digest(secret.as_bytes())))
    }

    /// Its digits.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// Reads what [`Self::text`] gives; nothing where it is no such thing.
    pub fn read(text: &str) -> Option<Self> {
        (text.len() == 64 && text.bytes().all(|byte| byte.is_ascii_hexdigit())).then(|| Self(text.to_owned()))
    }
}

/// Two digits a byte.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing to a text does not fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// The cookie in the `Cookie` header of a request, where it is there once and looks like one.
pub fn cookie_in(header: &str) -> Option<&str> {
    let mut found = header.split(';').filter_map(|pair| pair.trim().strip_prefix(COOKIE)?.strip_prefix('='));
    let cookie = found.next()?;
    (found.next().is_none() && cookie.len() == 64 && cookie.bytes().all(|byte| byte.is_ascii_hexdigit()))
        .then_some(cookie)
}

/// What a browser says of the phone that it is on: what stands in the first brackets of its name (RFC 9110, 10.1.5), as far as it is plain.
pub fn kind_in(user_agent: &str) -> String {
    let inside = user_agent.split_once('(').and_then(|(_, rest)| rest.split_once(')')).map_or("", |(inside, _)| inside);
    inside
        .chars()
        .filter(|c| c.is_ascii_graphic() || *c == ' ')
        .take(LONGEST_KIND)
        .collect::<String>()
        .trim()
        .to_owned()
}

/// The header that gives a phone its cookie: for this host only, over TLS only, out of reach of scripts and of other pages.
pub fn set_cookie(cookie: &str) -> String {
    format!("{COOKIE}={cookie}; Path=/; Max-Age=34560000; Secure; HttpOnly; SameSite=Strict")
}

/// `__Host-` binds it to the host, by the browser (RFC 6265bis, 4.1.3.2).
const COOKIE: &str = "__Host-hand";
const INVITED_FOR: Duration = Duration::from_secs(120);
/// Addresses whose attempts are counted.
const MOST_ADDRESSES: usize = 256;
const MOST_PHONES: usize = 32;
const LONGEST_KIND: usize = 60;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(s: u64) -> SessionTime {
        SessionTime::from_millis(s * 1_000)
    }

    fn address(last: u8) -> IpAddr {
        [192, 168, 8, last].into()
    }

    #[test]
    fn an_invitation_lets_one_phone_in_once() {
        let mut door = Door::default();
        let token = door.invite(at(0), [7; 16]);
        assert_eq!(token.len(), 32);
        let (cookie, hash) = door.redeem(at(119), address(2), &token, [9; 32]).unwrap();
        let mut phones = PairedPhones::default();
        assert_eq!(phones.add("2026-05-01".to_owned(), String::new(), hash), 1);
        assert_eq!(phones.with_cookie(&cookie).map(|phone| phone.number), Some(1));
        assert_eq!(door.redeem(at(119), address(3), &token, [8; 32]), Err(NotPaired::NotInvited), "it was used");
        assert_eq!(door.shown_is(at(119)), InvitationUse::Used);
        assert!(phones.with_cookie(&token).is_none());
    }

    #[test]
    fn an_expired_a_wrong_an_older_and_no_invitation_let_nobody_in() {
        let mut door = Door::default();
        assert_eq!(door.redeem(at(0), address(1), "", [0; 32]), Err(NotPaired::NotInvited));
        let old = door.invite(at(0), [1; 16]);
        let new = door.invite(at(60), [2; 16]);
        assert_eq!(door.redeem(at(61), address(1), &old, [0; 32]), Err(NotPaired::NotInvited));
        assert_eq!(door.redeem(at(61), address(2), &new[1..], [0; 32]), Err(NotPaired::NotInvited));
        assert_eq!((door.shown_is(at(179)), door.shown_is(at(180))), (InvitationUse::Open, InvitationUse::Over));
        assert_eq!(door.redeem(at(180), address(3), &new, [0; 32]), Err(NotPaired::NotInvited));
        let last = door.invite(at(200), [3; 16]);
        door.shut();
        assert_eq!(door.redeem(at(201), address(4), &last, [0; 32]), Err(NotPaired::NotInvited));
    }

    #[test]
    fn whoever_guesses_is_stopped_and_locks_out_nobody_else() {
        let mut door = Door::default();
        let token = door.invite(at(0), [1; 16]);
        let tries = |door: &mut Door, from| {
            (0..20).map(|_| door.redeem(at(1), from, "guess", [0; 32]).unwrap_err()).collect::<Vec<_>>()
        };
        let tried = tries(&mut door, address(66));
        assert_eq!(tried.iter().filter(|why| **why == NotPaired::NotInvited).count(), 5);
        assert_eq!(door.redeem(at(1), address(66), &token, [0; 32]), Err(NotPaired::TooOften));
        assert!(door.redeem(at(1), address(2), &token, [0; 32]).is_ok());
        for last in 0..=255 {
            let _ = door.redeem(at(1), [10, 0, 0, last].into(), "guess", [0; 32]);
        }
        assert_eq!(door.attempts.len(), MOST_ADDRESSES, "what is remembered of strangers is bounded");
        assert_eq!(
            door.redeem(at(1), address(66), "guess", [0; 32]),
            Err(NotPaired::TooOften),
            "who has none left stays"
        );
        let token = door.invite(at(2), [2; 16]);
        assert!(door.redeem(at(2), address(9), &token, [0; 32]).is_ok(), "and a newcomer is not shut out");
    }

    #[test]
    fn the_addresses_of_one_network_of_ipv6_share_their_tries() {
        let mut door = Door::default();
        let tried = |n: u16| door.redeem(at(0), format!("fd00::{n:x}").parse().unwrap(), "guess", [0; 32]).unwrap_err();
        assert_eq!((1..9).map(tried).filter(|why| *why == NotPaired::NotInvited).count(), 5);
    }

    #[test]
    fn an_invitation_that_was_asked_for_stands_beside_the_one_that_is_shown() {
        let mut door = Door::default();
        let shown = door.invite(at(0), [1; 16]);
        let asked_for = hex(&[2; 16]);
        door.invite_also(at(60), SecretHash::of(&asked_for));
        assert!(door.redeem(at(61), address(1), &asked_for, [0; 32]).is_ok());
        assert_eq!(door.redeem(at(62), address(1), &asked_for, [0; 32]), Err(NotPaired::NotInvited));
        assert_eq!(door.shown_is(at(62)), InvitationUse::Open);
        assert!(door.redeem(at(62), address(1), &shown, [0; 32]).is_ok());
        door.invite_also(at(70), SecretHash::of(&asked_for));
        door.shut();
        assert!(door.redeem(at(71), address(3), &asked_for, [0; 32]).is_ok(), "putting the shown one away keeps it");
        door.invite_also(at(70), SecretHash::of(&asked_for));
        assert_eq!(door.redeem(at(190), address(2), &asked_for, [0; 32]), Err(NotPaired::NotInvited), "two minutes");
    }

    /// Two names as browsers of phones have them; from memory.
    #[test]
    fn what_a_browser_says_of_its_phone_is_kept_as_far_as_it_is_plain_and_short() {
        for (name, kind) in [
            ("Mozilla/5.0 (Linux; Android 10; K) AppleWebKit/537.36 (KHTML, like Gecko)", "Linux; Android 10; K"),
            ("Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) x", "iPhone; CPU iPhone OS 17_5 like Mac OS X"),
            ("(\u{1b}[2Jbell\u{7}é)", "[2Jbell"),
            ("curl", ""),
        ] {
            assert_eq!(kind_in(name), kind);
        }
        assert_eq!(kind_in(&format!("({})", "x".repeat(500))).len(), LONGEST_KIND);
    }

    #[test]
    fn a_list_of_before_phones_told_when_they_were_here_is_read() {
        let old =
            format!("last = 1\n[[phone]]\nnumber = 1\nname = ''\nsince = '2026-05-01'\nhash = '{}'\n", "0".repeat(64));
        let phones: PairedPhones = toml::from_str(&old).unwrap();
        assert_eq!((phones.phone[0].seen.as_str(), phones.phone[0].kind.as_str()), ("", ""));
    }

    #[test]
    fn nothing_that_is_kept_opens_the_door() {
        let mut door = Door::default();
        let token = door.invite(at(0), [1; 16]);
        let (cookie, hash) = door.redeem(at(0), address(1), &token, [0xab; 32]).unwrap();
        let mut phones = PairedPhones::default();
        phones.add("2026-05-01".to_owned(), String::new(), hash.clone());
        let file = toml::to_string(&phones).unwrap();
        assert!(!file.contains(&cookie) && !file.contains(&token), "{file}");
        assert!(phones.with_cookie(&hash.0).is_none());
        assert_eq!(toml::from_str::<PairedPhones>(&file).unwrap(), phones);
    }

    /// FIPS 180-4, the published example for SHA-256 of "abc".
    #[test]
    fn secrets_are_kept_as_the_standard_hashes_them() {
        assert_eq!(SecretHash::of("abc").0, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }

    #[test]
    fn phones_are_forgotten_by_number_or_by_name_and_numbers_are_given_once() {
        let mut phones = PairedPhones::default();
        for n in 0..3 {
            phones.add("2026-05-01".to_owned(), String::new(), SecretHash::of(&n.to_string()));
        }
        phones.phone[0].name = "Rowan".to_owned();
        phones.phone[2].name = "Rowan".to_owned();
        assert_eq!(phones.forget("2"), 1);
        assert_eq!(phones.forget("rowan"), 2);
        assert_eq!(phones.forget("Imre"), 0);
        assert_eq!(phones.add("2026-05-02".to_owned(), String::new(), SecretHash::of("x")), 4);
        for n in 0..100 {
            phones.add("2026-05-03".to_owned(), String::new(), SecretHash::of(&n.to_string()));
        }
        assert_eq!(phones.phone.len(), MOST_PHONES);
    }

    #[test]
    fn a_cookie_is_taken_from_its_header_once_and_whole() {
        let cookie = "a1".repeat(32);
        assert_eq!(cookie_in(&format!("x=1; __Host-hand={cookie}; y=2")), Some(cookie.as_str()));
        for wrong in [
            String::new(),
            "__Host-hand=".to_owned(),
            format!("hand={cookie}"),
            format!("__Host-hand={cookie}0"),
            format!("__Host-hand={}", "zz".repeat(32)),
            format!("__Host-hand={cookie}; __Host-hand={}", "b2".repeat(32)),
        ] {
            assert_eq!(cookie_in(&wrong), None, "{wrong}");
        }
        let set = set_cookie(&cookie);
        for wanted in ["__Host-", "Path=/", "Secure", "HttpOnly", "SameSite=Strict"] {
            assert!(set.contains(wanted), "{set}");
        }
    }

    proptest! {
        #[test]
        fn no_header_makes_the_reader_of_cookies_fall_over(header in "\\PC{0,300}") {
            if let Some(cookie) = cookie_in(&header) {
                prop_assert_eq!(cookie.len(), 64);
            }
        }
    }
}
