//! Delivery under TLS: who is trusted, who is not, and who we are.
//!
//! The certificates in `fixtures/forward/tls` were made once with OpenSSL 3.0 (P-256, a hundred
//! years), the authorities' keys thrown away; the keys that are kept protect nothing.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::WebPkiClientVerifier;
use tokio_rustls::rustls::{RootCertStore, ServerConfig, crypto};

use super::{Outcome, Tls, accepted, answer_one, courier_to, message, send};
use crate::deliver::{Address, Courier, Limits};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/forward/tls").join(name)
}

fn chain(name: &str) -> Vec<CertificateDer<'static>> {
    let found = CertificateDer::pem_file_iter(fixture(&format!("{name}.pem"))).expect("a PEM file");
    found.collect::<Result<_, _>>().expect("certificates")
}

/// A receiver that shows `name`'s certificate, asks for ours if `mutual`, and answers every message.
async fn receiver(name: &str, mutual: bool) -> u16 {
    let provider = Arc::new(crypto::ring::default_provider());
    let builder = ServerConfig::builder_with_provider(provider.clone())
        .with_safe_default_protocol_versions()
        .expect("versions");
    let builder = if mutual {
        let mut roots = RootCertStore::empty();
        roots.add_parsable_certificates(chain("authority"));
        let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider);
        builder.with_client_cert_verifier(verifier.build().expect("a verifier"))
    } else {
        builder.with_no_client_auth()
    };
    let key = PrivateKeyDer::from_pem_file(fixture(&format!("{name}.key"))).expect("a key");
    let config = builder.with_single_cert(chain(name), key).expect("a certificate and its key");
    let acceptor = TlsAcceptor::from(Arc::new(config));
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let port = listener.local_addr().expect("it listens").port();
    tokio::spawn(async move {
        loop {
            let (stream, _) = listener.accept().await.expect("a connection");
            if let Ok(mut stream) = acceptor.accept(stream).await {
                while !answer_one(&mut stream, b"").await {}
            }
        }
    });
    port
}

fn trusting(authority: &str) -> Tls {
    Tls { ca: Some(fixture(&format!("{authority}.pem"))), ..Tls::default() }
}

async fn sent(port: u16, tls: &Tls) -> Outcome {
    send(&mut courier_to(&format!("mllps://127.0.0.1:{port}"), tls), "B1", &message("B1")).await
}

fn refused(outcome: &Outcome, word: &str) -> bool {
    matches!(outcome, Outcome::NotConnected { why } if why.contains("TLS") && why.contains(word))
}

#[tokio::test]
async fn a_receiver_of_our_authority_gets_messages_on_one_connection() {
    let port = receiver("receiver", false).await;
    let mut courier = courier_to(&format!("mllps://127.0.0.1:{port}"), &trusting("authority"));
    for id in ["B1", "B2", "B3"] {
        let outcome = send(&mut courier, id, &message(id)).await;
        assert!(accepted(&outcome), "{outcome:?}");
    }
}

#[tokio::test]
async fn nobody_else_does() {
    let port = receiver("receiver", false).await;
    let stranger = sent(port, &trusting("stranger")).await;
    assert!(refused(&stranger, "not by the authority"), "{stranger:?}");
    let elsewhere = sent(receiver("elsewhere", false).await, &trusting("authority")).await;
    assert!(refused(&elsewhere, "another name than 127.0.0.1"), "{elsewhere:?}");
}

#[tokio::test]
async fn a_receiver_without_tls_gets_nothing() {
    let mut plain = super::receiver("aa").await;
    let text = format!("mllps://{}", plain.address());
    let address = Address::parse(&text, Path::new("."), &trusting("authority")).expect("a host");
    // It waits for a block and never speaks: patience ends it.
    let limits = Limits {
        connect_timeout: Duration::from_millis(100),
        ..Limits::with_ack_timeout(Duration::from_millis(100))
    };
    let outcome = send(&mut Courier::new(vec![address], limits), "B1", &message("B1")).await;
    assert!(matches!(outcome, Outcome::NotConnected { .. }), "{outcome:?}");
    plain.pause().await;
    let seen = tokio::time::timeout(Duration::ZERO, plain.next()).await;
    assert!(seen.is_err(), "no message was sent in clear");
}

#[tokio::test]
async fn we_show_our_certificate_where_it_is_asked_for() {
    let port = receiver("receiver", true).await;
    let own = Tls {
        certificate: Some(fixture("sender.pem")),
        key: Some(fixture("sender.key")),
        ..trusting("authority")
    };
    let outcome = sent(port, &own).await;
    assert!(accepted(&outcome), "{outcome:?}");
    // In TLS 1.3 the refusal comes after the handshake, so that the message may be under way.
    let without = sent(port, &trusting("authority")).await;
    assert!(!accepted(&without), "{without:?}");
}

#[test]
fn files_that_do_not_fit_are_named() {
    let fault = |tls: Tls| {
        Address::parse("mllps://lis.kestrel.example:6661", Path::new("."), &tls)
            .err()
            .expect("it cannot be used")
    };
    assert!(fault(trusting("nowhere")).contains("nowhere.pem"));
    let keyless = Tls { certificate: Some(fixture("sender.pem")), ..trusting("authority") };
    assert!(fault(keyless).contains("together"));
    let crossed = Tls {
        certificate: Some(fixture("sender.pem")),
        key: Some(fixture("receiver.key")),
        ..trusting("authority")
    };
    assert!(fault(crossed).contains("sender.pem"));
    let empty = Tls { ca: Some(fixture("sender.key")), ..Tls::default() };
    assert!(fault(empty).contains("no certificate"));
}
