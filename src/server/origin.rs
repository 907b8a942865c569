//! Whether a request came for this server, from a page of this server. Pure.
//!
//! A name that somebody else points at this address (DNS rebinding) is none of the certificate's, and a page from elsewhere names its origin.

use crate::server::address::ServerAddress;

/// Why a request is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Foreign {
    /// It names no host, or another.
    Host,
    /// It comes from a page from elsewhere.
    Origin,
}

/// Looks at the head of a request. `host` and `origin` are as the browser sent them.
///
/// # Errors
/// It was meant for another host, or a page from elsewhere sent it. A request that must come from a page needs an origin.
pub fn look(place: &ServerAddress, host: Option<&str>, origin: Option<&str>, rule: OriginRule) -> Result<(), Foreign> {
    let own = place.authority();
    if !host.is_some_and(|host| host.eq_ignore_ascii_case(&own)) {
        return Err(Foreign::Host);
    }
    match (origin, rule) {
        (None, OriginRule::Optional) => Ok(()),
        (Some(origin), _) if origin.eq_ignore_ascii_case(&place.origin()) => Ok(()),
        _ => Err(Foreign::Origin),
    }
}

/// Whether a request counts only from a page of this server.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OriginRule {
    /// It changes something, or opens the way for sound.
    Required,
    /// Somebody may have typed the address.
    Optional,
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case::typed(Some("192.168.8.1:8443"), None, OriginRule::Optional, Ok(()))]
    #[case::own_page(Some("192.168.8.1:8443"), Some("https"), OriginRule::Required, Ok(()))]
    #[case::no_origin(Some("192.168.8.1:8443"), None, OriginRule::Required, Err(Foreign::Origin))]
    #[case::no_host(None, Some("https"), OriginRule::Required, Err(Foreign::Host))]
    #[case::a_name_that_was_pointed_here(Some("evil.example:8443"), None, OriginRule::Optional, Err(Foreign::Host))]
    #[case::without_the_port(Some("192.168.8.1"), None, OriginRule::Optional, Err(Foreign::Host))]
    #[case::unencrypted(Some("192.168.8.1:8443"), Some("http"), OriginRule::Required, Err(Foreign::Origin))]
    #[case::null(Some("192.168.8.1:8443"), Some("null"), OriginRule::Required, Err(Foreign::Origin))]
    fn only_what_was_meant_for_this_server_is_taken(
        #[case] host: Option<&str>,
        #[case] origin: Option<&str>,
        #[case] rule: OriginRule,
        #[case] expected: Result<(), Foreign>,
    ) {
        let place = ServerAddress::new([192, 168, 8, 1].into(), 8_443);
        let origin = origin.map(|scheme| match scheme {
            "null" => "null".to_owned(),
            scheme => format!("{scheme}://192.168.8.1:8443"),
        });
        assert_eq!(look(&place, host, origin.as_deref(), rule), expected);
    }

    #[test]
    fn an_address_of_the_newer_kind_stands_in_brackets_and_the_usual_port_is_left_out() {
        let place = ServerAddress::new("fd00::1".parse().unwrap(), 8_443);
        assert_eq!(look(&place, Some("[fd00::1]:8443"), None, OriginRule::Optional), Ok(()));
        let usual = ServerAddress::new([10, 0, 0, 1].into(), 443);
        assert_eq!(look(&usual, Some("10.0.0.1"), Some(&usual.origin()), OriginRule::Required), Ok(()));
    }
}
