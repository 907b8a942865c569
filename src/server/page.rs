//! The files of the page. They are part of the program: nothing is loaded from elsewhere, and nothing is built.

use crate::server::address::ServerAddress;
use crate::server::words::PhoneWords;

/// A file as it is sent.
#[derive(Clone, Copy, Debug)]
pub struct PageFile {
    /// As the address names it.
    pub path: &'static str,
    /// MIME type.
    pub kind: &'static str,
    /// The whole of it.
    pub text: &'static str,
}

/// Every file.
pub const FILES: [PageFile; 8] = [
    PageFile { path: "/", kind: HTML, text: include_str!("page/index.html") },
    PageFile { path: "/page.css", kind: "text/css; charset=utf-8", text: include_str!("page/page.css") },
    PageFile { path: "/page.js", kind: SCRIPT, text: include_str!("page/page.js") },
    PageFile { path: "/link.js", kind: SCRIPT, text: include_str!("page/link.js") },
    PageFile { path: "/posts.js", kind: SCRIPT, text: include_str!("page/posts.js") },
    PageFile { path: "/show.js", kind: SCRIPT, text: include_str!("page/show.js") },
    PageFile { path: "/sound.js", kind: SCRIPT, text: include_str!("page/sound.js") },
    PageFile { path: "/worklet.js", kind: SCRIPT, text: include_str!("page/worklet.js") },
];

/// The words of the page as it loads them.
pub fn words_json(words: &PhoneWords) -> String {
    serde_json::Value::from_iter(words.page.clone()).to_string()
}

/// What every answer carries: nothing is loaded or embedded from elsewhere, nothing is kept, and only this page may use the microphone.
pub fn headers(place: &ServerAddress) -> [(&'static str, String); 7] {
    let socket = format!("wss{}", place.origin().trim_start_matches("https"));
    let policy = format!(
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; worker-src 'self'; connect-src 'self' {socket}; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    );
    [
        ("content-security-policy", policy),
        ("cache-control", "no-store".to_owned()),
        ("x-content-type-options", "nosniff".to_owned()),
        ("referrer-policy", "no-referrer".to_owned()),
        ("permissions-policy", "microphone=(self), screen-wake-lock=(self), camera=(), geolocation=()".to_owned()),
        ("cross-origin-opener-policy", "same-origin".to_owned()),
        ("cross-origin-resource-policy", "same-origin".to_owned()),
    ]
}

const HTML: &str = "text/html; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_page_is_less_than_100_kb_and_names_no_other_place() {
        let words = words_json(&PhoneWords::built_in().unwrap());
        let bytes: usize = FILES.iter().map(|file| file.text.len()).sum::<usize>() + words.len();
        assert!(bytes < 100_000, "{bytes} bytes");
        for file in FILES {
            assert!(!file.text.contains("://"), "{} names an address", file.path);
        }
    }

    #[test]
    fn scripts_and_styles_come_from_this_server_in_files_of_their_own() {
        let place = ServerAddress::new([192, 168, 8, 1].into(), 8_443);
        let policy = headers(&place)[0].1.clone();
        assert!(policy.contains("script-src 'self';") && policy.contains(" wss"), "{policy}");
        assert!(!policy.contains("unsafe") && !policy.contains('*'), "{policy}");
        let html = FILES[0].text;
        // What the policy would refuse is not there either.
        for inline in ["<style", " style=", " onclick=", "javascript:"] {
            assert!(!html.contains(inline), "{inline}");
        }
        assert_eq!(html.matches("<script").count(), html.matches("<script type=\"module\" src=").count());
    }
}
