//! Headers that every answer has: what a browser must not do with it.

use axum::http::{HeaderName, HeaderValue, header};
use axum::response::Response;

/// A page of ours loads nothing from elsewhere, runs no script written into it, and stands in nobody's frame.
pub const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
     img-src 'self' data:; media-src 'self'; connect-src 'self'; manifest-src 'self'; base-uri 'none'; \
     form-action 'none'; frame-ancestors 'none'";

/// A picture that is drawn by the program, opened by itself: it loads nothing, runs nothing and is no page of ours.
pub const PICTURE_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox";

/// Put on an answer as an extension: the policy that it has in place of the page's.
#[derive(Clone, Copy)]
pub struct Policy(pub &'static str);

/// There is no word for all features: these are the ones that a page could ask for.
const PERMISSIONS_POLICY: &str = "accelerometer=(), autoplay=(), bluetooth=(), camera=(), clipboard-read=(), \
     clipboard-write=(), display-capture=(), encrypted-media=(), fullscreen=(), gamepad=(), geolocation=(), \
     gyroscope=(), hid=(), idle-detection=(), local-fonts=(), magnetometer=(), microphone=(), midi=(), payment=(), \
     picture-in-picture=(), publickey-credentials-get=(), screen-wake-lock=(), serial=(), storage-access=(), usb=(), \
     web-share=(), window-management=(), xr-spatial-tracking=()";

const ALWAYS: [(HeaderName, &str); 6] = [
    (header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("permissions-policy"), PERMISSIONS_POLICY),
];

/// Puts them on an answer, with its own [`Policy`] if it has one. `Cache-Control` stays if the answer has one; else nothing is stored.
pub async fn strict(mut answer: Response) -> Response {
    let policy = answer.extensions_mut().remove::<Policy>();
    let headers = answer.headers_mut();
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if let Some(Policy(policy)) = policy {
        headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    answer
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::body::Body;

    #[tokio::test]
    async fn every_answer_gets_all_of_them_and_keeps_its_own_cache_rule() {
        let bare = strict(Response::new(Body::empty())).await;
        for (name, value) in ALWAYS {
            assert_eq!(bare.headers()[&name], value);
        }
        assert_eq!(bare.headers()[header::CACHE_CONTROL], "no-store");
        let mut own = Response::new(Body::empty());
        own.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
        own.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static("default-src *"));
        let own = strict(own).await;
        assert_eq!(own.headers()[header::CACHE_CONTROL], "no-cache");
        assert_eq!(own.headers()[header::CONTENT_SECURITY_POLICY], CONTENT_SECURITY_POLICY);
    }
}
