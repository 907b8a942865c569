//! The server's certificates: an authority of the rig's own that can vouch for private addresses only, and below it one for the address that phones use.

use std::net::IpAddr;

use jiff::ToSpan;
use jiff::civil::{Date, date};
use rcgen::{
    BasicConstraints, Certificate, CertificateParams, CidrSubnet, DistinguishedName, DnType, ExtendedKeyUsagePurpose,
    GeneralSubtree, IsCa, Issuer, KeyPair, KeyUsagePurpose, NameConstraints, date_time_ymd,
};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use thiserror::Error;

use crate::server::kept::{Kept, KeptError};

/// What the server shows of itself.
#[derive(Clone, Debug)]
pub struct Identity {
    /// The certificate for the address, and its key, as PEM.
    pub leaf: String,
    /// The key of it.
    pub key: String,
    /// The authority's certificate, for whoever wants no warning.
    pub authority: String,
    /// SHA-256 of the authority's certificate, to be compared before it is installed.
    pub authority_print: Fingerprint,
    /// SHA-256 of the leaf, as a browser shows it.
    pub leaf_print: Fingerprint,
    /// What of it was made just now.
    pub renewed: Renewed,
}

/// What of the certificates was made anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Renewed {
    /// They are those that were kept.
    Nothing,
    /// The one for the address: phones that do not trust the authority warn once more.
    Leaf,
    /// The authority with it: phones that trusted the one before trust nothing here any more.
    Authority,
}

/// SHA-256 of a certificate.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fingerprint([u8; 32]);

impl Fingerprint {
    /// Of a certificate in DER.
    pub fn of(der: &[u8]) -> Self {
        Self(Sha256::digest(der).into())
    }
}

impl std::fmt::Display for Fingerprint {
    /// As browsers show it: pairs of digits with colons.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let pairs: Vec<String> = self.0.iter().map(|byte| format!("{byte:02X}")).collect();
        write!(f, "{}", pairs.join(":"))
    }
}

/// Why there is no certificate.
#[derive(Debug, Error)]
#[allow(missing_docs, reason = "the message of each says it")]
pub enum CertificateError {
    #[error(transparent)]
    Kept(#[from] KeptError),
    #[error("a certificate cannot be made; take the old ones away with: sparehand phones --new-certificate")]
    Make(#[from] rcgen::Error),
    #[error("the day {day} is out of range for a certificate; set the machine's clock")]
    Day { day: Date },
}

/// The certificates for this address: those that are kept, or new ones where there are none, they are for another address, or run out soon.
///
/// # Errors
/// They cannot be read, made or kept.
pub fn identity(kept: &Kept, address: IpAddr, today: Date) -> Result<Identity, CertificateError> {
    let mut renewed = Renewed::Nothing;
    let authority = match (kept.read(AUTHORITY_KEY)?, kept.read(AUTHORITY)?, known::<Days>(kept, AUTHORITY_DAYS)?) {
        (Some(key), Some(certificate), Some(days)) if days.hold(today) => (KeyPair::from_pem(&key)?, certificate),
        _ => {
            renewed = Renewed::Authority;
            make_authority(kept, today)?
        }
    };
    let leaf = match (kept.read(LEAF_KEY)?, kept.read(LEAF)?, known::<Scope>(kept, SCOPE)?) {
        (Some(key), Some(certificate), Some(scope)) if scope.fits(address, &authority.1, today) => (key, certificate),
        _ => {
            if renewed == Renewed::Nothing {
                renewed = Renewed::Leaf;
            }
            make_leaf(kept, &authority, address, today)?
        }
    };
    Ok(Identity {
        authority_print: print_of(&authority.1),
        leaf_print: print_of(&leaf.1),
        authority: authority.1,
        leaf: leaf.1,
        key: leaf.0,
        renewed,
    })
}

/// Takes the certificates away: new ones are made for the next run, and phones that trusted the old authority have to be told anew.
///
/// # Errors
/// They stay.
pub fn forget(kept: &Kept) -> Result<(), CertificateError> {
    Ok(kept.remove(&[AUTHORITY, AUTHORITY_KEY, AUTHORITY_DAYS, LEAF, LEAF_KEY, SCOPE])?)
}

/// SHA-256 of the kept authority's certificate; nothing where there is none.
///
/// # Errors
/// It is there and cannot be read.
pub fn authority_print(kept: &Kept) -> Result<Option<Fingerprint>, CertificateError> {
    Ok(kept.read(AUTHORITY)?.map(|pem| print_of(&pem)))
}

/// When a kept certificate is good: the first day, and the first on which it is good no more, as RFC 3339 writes them.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Days {
    from: String,
    until: String,
}

impl Days {
    fn new(from: Date, until: Date) -> Self {
        Self { from: from.to_string(), until: until.to_string() }
    }

    /// Good today, and for a while yet. A clock that was never set says nothing: what phones trust is not thrown away for it.
    fn hold(&self, today: Date) -> bool {
        let (Ok(from), Ok(until)) = (self.from.parse::<Date>(), self.until.parse::<Date>()) else { return false };
        let soon = today.checked_add(RENEW_BEFORE_DAYS.days()).unwrap_or(today);
        today < NO_EARLIER || from <= today && soon < until
    }
}

/// What the kept certificate is for.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Scope {
    address: IpAddr,
    /// SHA-256 of the authority that signed it.
    signed_by: String,
    days: Days,
}

impl Scope {
    fn fits(&self, address: IpAddr, authority: &str, today: Date) -> bool {
        self.address == address && self.signed_by == print_of(authority).to_string() && self.days.hold(today)
    }
}

fn known<T: DeserializeOwned>(kept: &Kept, name: &str) -> Result<Option<T>, CertificateError> {
    // One that cannot be read is made anew.
    Ok(kept.read(name)?.and_then(|text| toml::from_str(&text).ok()))
}

fn keep(kept: &Kept, name: &str, what: &impl Serialize) -> Result<(), CertificateError> {
    Ok(kept.write(name, &toml::to_string(what).map_err(KeptError::from)?)?)
}

fn make_authority(kept: &Kept, today: Date) -> Result<(KeyPair, String), CertificateError> {
    let key = KeyPair::generate()?;
    let certificate = authority_params(today)?.self_signed(&key)?.pem();
    kept.write(AUTHORITY_KEY, &key.serialize_pem())?;
    kept.write(AUTHORITY, &certificate)?;
    let days = Days::new(shifted(today, -DAY_BEFORE)?, shifted(today, AUTHORITY_FOR_DAYS)?);
    keep(kept, AUTHORITY_DAYS, &days)?;
    Ok((key, certificate))
}

fn make_leaf(
    kept: &Kept,
    authority: &(KeyPair, String),
    address: IpAddr,
    today: Date,
) -> Result<(String, String), CertificateError> {
    let (from, until) = (shifted(today, -DAY_BEFORE)?, shifted(today, LEAF_FOR_DAYS)?);
    let key = KeyPair::generate()?;
    let certificate = leaf(&key, &authority.0, address, from, until)?.pem();
    let key = key.serialize_pem();
    kept.write(LEAF_KEY, &key)?;
    kept.write(LEAF, &certificate)?;
    let signed_by = print_of(&authority.1).to_string();
    keep(kept, SCOPE, &Scope { address, signed_by, days: Days::new(from, until) })?;
    Ok((key, certificate))
}

fn leaf(
    key: &KeyPair,
    authority: &KeyPair,
    address: IpAddr,
    from: Date,
    until: Date,
) -> Result<Certificate, CertificateError> {
    let mut params = CertificateParams::new(vec![address.to_string(), NAME.to_owned()])?;
    params.distinguished_name = named("sparehand on this rig");
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
    params.use_authority_key_identifier_extension = true;
    set_days(&mut params, from, until)?;
    // Of the authority only its name and its key go into what it signs.
    let issuer = Issuer::new(authority_params(from)?, authority);
    Ok(params.signed_by(key, &issuer)?)
}

fn authority_params(today: Date) -> Result<CertificateParams, CertificateError> {
    let mut params = CertificateParams::default();
    params.distinguished_name = named("sparehand, for this rig's own network only");
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    // Whoever gets hold of the key can vouch for nothing on the internet.
    let subnets = PRIVATE.iter().map(|(text, prefix)| (text.parse::<IpAddr>(), *prefix));
    let mut permitted: Vec<GeneralSubtree> = subnets
        .filter_map(|(address, prefix)| {
            Some(GeneralSubtree::IpAddress(CidrSubnet::from_addr_prefix(address.ok()?, prefix)))
        })
        .collect();
    permitted.push(GeneralSubtree::DnsName(NAME.to_owned()));
    params.name_constraints = Some(NameConstraints { permitted_subtrees: permitted, excluded_subtrees: Vec::new() });
    set_days(&mut params, shifted(today, -DAY_BEFORE)?, shifted(today, AUTHORITY_FOR_DAYS)?)?;
    Ok(params)
}

fn named(name: &str) -> DistinguishedName {
    let mut full = DistinguishedName::new();
    full.push(DnType::CommonName, name);
    full
}

fn shifted(day: Date, days: i64) -> Result<Date, CertificateError> {
    day.checked_add(days.days()).map_err(|_| CertificateError::Day { day })
}

/// Good from the beginning of one day to the beginning of another.
fn set_days(params: &mut CertificateParams, from: Date, until: Date) -> Result<(), CertificateError> {
    for (day, moment) in [(from, &mut params.not_before), (until, &mut params.not_after)] {
        let (Ok(month), Ok(of_month), 1970..2500) = (u8::try_from(day.month()), u8::try_from(day.day()), day.year())
        else {
            return Err(CertificateError::Day { day });
        };
        *moment = date_time_ymd(day.year().into(), month, of_month);
    }
    Ok(())
}

/// The digest of the one certificate in a PEM text; of nothing where there is none.
fn print_of(pem: &str) -> Fingerprint {
    use tokio_rustls::rustls::pki_types::CertificateDer;
    use tokio_rustls::rustls::pki_types::pem::PemObject;
    let der = CertificateDer::from_pem_slice(pem.as_bytes());
    Fingerprint::of(der.as_deref().unwrap_or_default())
}

/// `.internal` is kept for private use (ICANN, 2024).
const NAME: &str = "sparehand.internal";
/// RFC 1918, RFC 6598, RFC 3927, loopback, RFC 4193, link-local.
const PRIVATE: [(&str, u8); 8] = [
    ("10.0.0.0", 8),
    ("172.16.0.0", 12),
    ("192.168.0.0", 16),
    ("100.64.0.0", 10),
    ("169.254.0.0", 16),
    ("127.0.0.0", 8),
    ("fc00::", 7),
    ("fe80::", 10),
];
/// A phone's clock may be a little behind.
const DAY_BEFORE: i64 = 1;
/// With the day before 825 days, the most that a phone takes (Apple support 103769).
const LEAF_FOR_DAYS: i64 = 824;
const RENEW_BEFORE_DAYS: i64 = 30;
/// Installing it is a chore: ten years.
const AUTHORITY_FOR_DAYS: i64 = 3_652;
/// The program is no older.
const NO_EARLIER: Date = date(2026, 1, 1);
const AUTHORITY: &str = "authority.pem";
const AUTHORITY_DAYS: &str = "authority.toml";
const AUTHORITY_KEY: &str = "authority.key.pem";
const LEAF: &str = "certificate.pem";
const LEAF_KEY: &str = "certificate.key.pem";
const SCOPE: &str = "certificate.toml";

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::time::Duration;

    use tokio_rustls::rustls::RootCertStore;
    use tokio_rustls::rustls::client::WebPkiServerVerifier;
    use tokio_rustls::rustls::client::danger::ServerCertVerifier;
    use tokio_rustls::rustls::crypto::ring;
    use tokio_rustls::rustls::pki_types::pem::PemObject;
    use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName, UnixTime};

    const TODAY: Date = date(2026, 5, 1);

    fn folder() -> (tempfile::TempDir, Kept) {
        let folder = tempfile::tempdir().unwrap();
        let kept = Kept::open(folder.path()).unwrap();
        (folder, kept)
    }

    /// What rustls, as a browser would, makes of a certificate for this name at noon of a day.
    fn trusted(authority: &str, leaf: &str, name: &str, day: Date) -> bool {
        let der = |pem: &str| CertificateDer::from_pem_slice(pem.as_bytes()).unwrap();
        let mut roots = RootCertStore::empty();
        roots.add(der(authority)).unwrap();
        let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), Arc::new(ring::default_provider()));
        let noon = day.at(12, 0, 0, 0).to_zoned_datetime(jiff::tz::TimeZone::UTC).unwrap().timestamp().as_second();
        let now = UnixTime::since_unix_epoch(Duration::from_secs(noon.try_into().unwrap()));
        let name = ServerName::try_from(name.to_owned()).unwrap();
        verifier.build().unwrap().verify_server_cert(&der(leaf), &[], &name, &[], now).is_ok()
    }

    #[test]
    fn who_trusts_the_authority_trusts_the_server_at_its_address_and_nowhere_else() {
        let (_folder, kept) = folder();
        let own = identity(&kept, [192, 168, 8, 1].into(), TODAY).unwrap();
        assert!(trusted(&own.authority, &own.leaf, "192.168.8.1", TODAY));
        assert!(trusted(&own.authority, &own.leaf, "sparehand.internal", date(2028, 8, 1)));
        assert!(!trusted(&own.authority, &own.leaf, "192.168.8.2", TODAY));
        assert!(!trusted(&own.authority, &own.leaf, "192.168.8.1", date(2028, 8, 4)), "825 days are over");
        let (_other, other) = self::folder();
        let stranger = identity(&other, [192, 168, 8, 1].into(), TODAY).unwrap();
        assert!(!trusted(&own.authority, &stranger.leaf, "192.168.8.1", TODAY));
    }

    #[test]
    fn the_authority_can_vouch_for_nothing_on_the_internet() {
        let (_folder, kept) = folder();
        identity(&kept, [192, 168, 8, 1].into(), TODAY).unwrap();
        let authority = KeyPair::from_pem(&kept.read(AUTHORITY_KEY).unwrap().unwrap()).unwrap();
        let certificate = kept.read(AUTHORITY).unwrap().unwrap();
        let until = date(2027, 5, 1);
        let key = KeyPair::generate().unwrap();
        let own = leaf(&key, &authority, [10, 0, 0, 9].into(), TODAY, until).unwrap().pem();
        assert!(trusted(&certificate, &own, "10.0.0.9", date(2026, 6, 1)), "a private address is within its bounds");
        // 203.0.113.0/24 is for documentation (RFC 5737).
        let public = leaf(&key, &authority, [203, 0, 113, 1].into(), TODAY, until).unwrap().pem();
        assert!(!trusted(&certificate, &public, "203.0.113.1", date(2026, 6, 1)));
        let mut params = CertificateParams::new(vec!["bank.example".to_owned()]).unwrap();
        set_days(&mut params, TODAY, until).unwrap();
        let issuer = Issuer::new(authority_params(TODAY).unwrap(), &authority);
        let name = params.signed_by(&key, &issuer).unwrap().pem();
        assert!(!trusted(&certificate, &name, "bank.example", date(2026, 6, 1)));
    }

    #[test]
    fn certificates_are_kept_until_the_address_changes_they_run_out_or_they_are_taken_away() {
        let (_folder, kept) = folder();
        let address: IpAddr = [192, 168, 8, 1].into();
        let first = identity(&kept, address, TODAY).unwrap();
        let again = identity(&kept, address, date(2028, 6, 1)).unwrap();
        assert_eq!((&first.leaf, &first.key), (&again.leaf, &again.key));
        assert_eq!((first.renewed, again.renewed), (Renewed::Authority, Renewed::Nothing));
        let moved = identity(&kept, [10, 0, 0, 5].into(), TODAY).unwrap();
        assert!(moved.leaf != first.leaf && moved.authority == first.authority);
        assert!(trusted(&first.authority, &moved.leaf, "10.0.0.5", TODAY));
        let renewed = identity(&kept, [10, 0, 0, 5].into(), date(2028, 7, 10)).unwrap();
        assert!(renewed.leaf != moved.leaf && renewed.authority_print == first.authority_print);
        assert_eq!((moved.renewed, renewed.renewed), (Renewed::Leaf, Renewed::Leaf));
        forget(&kept).unwrap();
        assert!(identity(&kept, address, TODAY).unwrap().authority_print != first.authority_print);
    }

    #[test]
    fn a_clock_that_was_never_set_makes_no_certificate_that_nobody_could_use() {
        let (_folder, kept) = folder();
        let address: IpAddr = [192, 168, 8, 1].into();
        assert!(matches!(identity(&kept, address, date(2600, 1, 1)), Err(CertificateError::Day { .. })));
        // Made while the clock stood in the past: made anew once it is right.
        let early = identity(&kept, address, date(1990, 1, 1)).unwrap();
        let right = identity(&kept, address, TODAY).unwrap();
        assert!(right.leaf != early.leaf && right.authority_print != early.authority_print);
        assert!(trusted(&right.authority, &right.leaf, "192.168.8.1", TODAY));
    }

    #[test]
    fn an_authority_that_was_made_under_a_wrong_clock_does_not_stay_and_one_that_is_right_outlives_a_clock_that_stands()
    {
        let (_folder, kept) = folder();
        let address: IpAddr = [192, 168, 8, 1].into();
        let late = identity(&kept, address, date(2099, 1, 1)).unwrap();
        let right = identity(&kept, address, TODAY).unwrap();
        assert!(right.authority_print != late.authority_print);
        assert!(trusted(&right.authority, &right.leaf, "192.168.8.1", TODAY));
        let stood = identity(&kept, address, date(1970, 1, 2)).unwrap();
        assert_eq!((&stood.authority, &stood.leaf), (&right.authority, &right.leaf));
        // Its end: ten years after.
        let next = identity(&kept, address, date(2036, 5, 1)).unwrap();
        assert!(next.authority_print != right.authority_print);
        assert!(trusted(&next.authority, &next.leaf, "192.168.8.1", date(2036, 5, 1)));
    }

    #[test]
    fn a_new_authority_signs_the_server_s_certificate_anew() {
        let (_folder, kept) = folder();
        let address: IpAddr = [192, 168, 8, 1].into();
        let first = identity(&kept, address, TODAY).unwrap();
        kept.remove(&[AUTHORITY]).unwrap();
        let second = identity(&kept, address, TODAY).unwrap();
        assert!(second.leaf != first.leaf && second.authority != first.authority);
        assert!(trusted(&second.authority, &second.leaf, "192.168.8.1", TODAY));
    }

    #[test]
    fn a_fingerprint_reads_as_a_browser_shows_it() {
        let (_folder, kept) = folder();
        let print = identity(&kept, [192, 168, 8, 1].into(), TODAY).unwrap().leaf_print.to_string();
        assert_eq!(print.len(), 95);
        assert!(print.split(':').all(|pair| pair.len() == 2 && pair.bytes().all(|b| b"0123456789ABCDEF".contains(&b))));
    }
}
