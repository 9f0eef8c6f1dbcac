//! Delivery under TLS: who is trusted, who is not, and who we are.
//!
//! The certificates in `fixtures/forward/tls` were made once with OpenSSL 3.0 (P-256, a hundred
//! years), the authorities' keys thrown away; the keys that are kept protect nothing. `expired` ended
//! on 2024-02-01 and is by `lapsing`: `openssl ca -startdate 20240101000000Z -enddate 20240201000000Z`
//! with `copy_extensions=copy`, on a request with `subjectAltName=IP:127.0.0.1`.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::WebPkiClientVerifier;
use tokio_rustls::rustls::{
    RootCertStore, ServerConfig, SupportedProtocolVersion, crypto, version,
};

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
    receiver_of(name, mutual, &version::TLS13).await
}

async fn receiver_of(name: &str, mutual: bool, version: &'static SupportedProtocolVersion) -> u16 {
    let provider = Arc::new(crypto::ring::default_provider());
    let builder = ServerConfig::builder_with_provider(provider.clone())
        .with_protocol_versions(&[version])
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
                while answer_one(&mut stream, b"").await.is_some() {}
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
    for version in [&version::TLS12, &version::TLS13] {
        let port = receiver_of("receiver", true, version).await;
        let own = |name: &str| Tls {
            certificate: Some(fixture(&format!("{name}.pem"))),
            key: Some(fixture(&format!("{name}.key"))),
            ..trusting("authority")
        };
        let outcome = sent(port, &own("sender")).await;
        assert!(accepted(&outcome), "{outcome:?}");
        // In TLS 1.3 the refusal comes after the handshake, so that the message may be under way.
        for (tls, wanted) in [
            (trusting("authority"), "wants a certificate of ours"),
            (own("expired"), "our certificate"),
        ] {
            match sent(port, &tls).await {
                Outcome::Unanswered { why } | Outcome::NotConnected { why } => {
                    assert!(why.contains(wanted), "{why}");
                }
                outcome => panic!("{outcome:?}"),
            }
        }
    }
}

#[tokio::test]
async fn an_expired_certificate_is_named_as_one() {
    let expired = sent(receiver("expired", false).await, &trusting("lapsing")).await;
    assert!(refused(&expired, "the receiver's certificate has expired"), "{expired:?}");
}

/// A peer that takes what we say first and answers with these bytes.
async fn old_peer(said: &'static [u8]) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let port = listener.local_addr().expect("it listens").port();
    tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.expect("a connection");
        let mut hello = [0; 5];
        stream.read_exact(&mut hello).await.expect("a record's head");
        let length = usize::from(u16::from_be_bytes([hello[3], hello[4]]));
        stream.read_exact(&mut vec![0; length]).await.expect("the record");
        stream.write_all(said).await.expect("it reads");
        // Until we hang up.
        let _ = stream.read(&mut [0; 1]).await;
    });
    port
}

#[tokio::test]
async fn a_receiver_of_older_tls_or_none_is_refused_in_plain_words() {
    // RFC 5246 section 7.2: alert, fatal, protocol_version (70).
    let alert = b"\x15\x03\x01\x00\x02\x02\x46";
    // A server hello of TLS 1.0 and of 1.1 (RFC 2246, RFC 4346 section 7.4.1.3): version, random, no
    // session, TLS_RSA_WITH_AES_128_CBC_SHA, no compression.
    let hello = |minor: u8| {
        let head = [0x16, 3, minor, 0, 42, 2, 0, 0, 38, 3, minor];
        let all = [head.as_slice(), &[7; 32], &[0, 0, 0x2F, 0]].concat();
        &*Box::leak(all.into_boxed_slice())
    };
    for said in [alert.as_slice(), hello(1), hello(2)] {
        let outcome = sent(old_peer(said).await, &trusting("authority")).await;
        assert!(refused(&outcome, "TLS 1.2 and 1.3"), "{outcome:?}");
    }
    let web = old_peer(b"HTTP/1.1 400 Bad Request\r\n\r\n").await;
    let outcome = sent(web, &trusting("authority")).await;
    assert!(refused(&outcome, "is no TLS"), "{outcome:?}");
}

#[tokio::test]
async fn files_are_read_anew_at_each_connection() {
    let folder = std::env::temp_dir().join(format!("wickline-tls-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder");
    let renew = |from: &str| {
        std::fs::copy(fixture(&format!("{from}.pem")), folder.join("ca.pem")).expect("a file");
    };
    renew("stranger");
    let tls = Tls { ca: Some(folder.join("ca.pem")), ..Tls::default() };
    let port = receiver("receiver", false).await;
    let mut courier = courier_to(&format!("mllps://127.0.0.1:{port}"), &tls);
    let outcome = send(&mut courier, "B1", &message("B1")).await;
    assert!(refused(&outcome, "not by the authority"), "{outcome:?}");
    assert_eq!(courier.peer_certificate_ends(), None);
    renew("authority");
    let outcome = send(&mut courier, "B1", &message("B1")).await;
    assert!(accepted(&outcome), "{outcome:?}");
    // `openssl x509 -enddate` says 2126-11-01 17:40:45.
    assert_eq!(courier.peer_certificate_ends(), Some(4_949_228_445));
    std::fs::write(folder.join("ca.pem"), "-----BEGIN CERTIFICATE-----\nbroken").expect("a file");
    let outcome = send(&mut courier, "B2", &message("B2")).await;
    assert!(accepted(&outcome), "an open connection needs no files: {outcome:?}");
    courier.close();
    match send(&mut courier, "B3", &message("B3")).await {
        Outcome::NotConnected { why } => assert!(why.contains("ca.pem"), "it is named: {why}"),
        outcome => {
            panic!("without a file there is no connection, least of all a plain one: {outcome:?}")
        }
    }
    let _ = std::fs::remove_dir_all(&folder);
}

#[test]
fn the_end_of_our_own_certificate_is_known() {
    let ends = |own: &str, key: &str| {
        let tls = Tls {
            certificate: Some(fixture(own)),
            key: Some(fixture(key)),
            ..trusting("authority")
        };
        Address::parse("mllps://127.0.0.1:6661", Path::new("."), &tls)
            .expect("an address")
            .certificate_ends()
    };
    assert_eq!(ends("sender.pem", "sender.key"), Some(Ok(4_949_228_445)));
    assert_eq!(ends("expired.pem", "expired.key"), Some(Ok(1_706_745_600)));
    let plain = Address::parse("mllp://127.0.0.1:2575", Path::new("."), &Tls::default());
    assert_eq!(plain.expect("an address").certificate_ends(), None);
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
