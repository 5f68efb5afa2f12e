//! The client for web addresses: webhook and sign of life.

use std::sync::Arc;
use std::time::Duration;

use ureq::tls::{Certificate, RootCerts, TlsConfig};

/// Scheme and host: a path or query may hold what is not for the log.
pub fn place(url: &str) -> &str {
    let rest = url.find("://").map_or(0, |at| at + 3);
    let end = url
        .get(rest..)
        .and_then(|r| r.find(['/', '?', '#']))
        .map_or(url.len(), |at| rest + at);
    url.get(..end).unwrap_or(url)
}

/// A client for one request to a checked address: nothing is kept open between requests, no redirect is followed, and a
/// status is no error. Finding the host, connecting and each further step may take `step`, all of it `whole`.
pub fn agent(url: &str, step: Duration, whole: Duration) -> ureq::Agent {
    let mut config = ureq::Agent::config_builder()
        .timeout_global(Some(whole))
        .timeout_resolve(Some(step))
        .timeout_connect(Some(step))
        .timeout_send_request(Some(step))
        .timeout_send_body(Some(step))
        .timeout_recv_response(Some(step))
        .max_redirects(0)
        .http_status_as_error(false)
        .user_agent(concat!("runsitter/", env!("CARGO_PKG_VERSION")));
    if url.starts_with("https:") {
        config = config.https_only(true).tls_config(tls());
    } else {
        // To this machine itself: no proxy stands between.
        config = config.proxy(None);
    }
    config.build().into()
}

/// The system's certificates.
fn tls() -> TlsConfig {
    let roots: Vec<Certificate<'static>> = rustls_native_certs::load_native_certs()
        .certs
        .iter()
        .map(|der| Certificate::from_der(der).to_owned())
        .collect();
    TlsConfig::builder()
        .root_certs(RootCerts::Specific(Arc::new(roots)))
        .unversioned_rustls_crypto_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .build()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_scheme_and_host_are_named() {
        assert_eq!(place("http://127.0.0.1:80?x"), "http://127.0.0.1:80");
        assert_eq!(place("https://a.example"), "https://a.example");
        assert_eq!(
            place("https://a.example:8443/secret#x"),
            "https://a.example:8443"
        );
    }
}
