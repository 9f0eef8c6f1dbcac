//! When a certificate ends: the one field of X.509 that is read here (RFC 5280 section 4.1).

use x509_parser::certificate::X509CertificateParser;
use x509_parser::nom::Parser;

/// The end of a certificate's validity in Unix seconds. What its extensions say is not looked at.
pub(super) fn ends(der: &[u8]) -> Option<i64> {
    let mut parser = X509CertificateParser::new().with_deep_parse_extensions(false);
    let (_, certificate) = parser.parse(der).ok()?;
    Some(certificate.validity().not_after.timestamp())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::ends;

    const SEQUENCE: u8 = 0x30;
    const UTC_TIME: u8 = 0x17;
    const GENERALIZED_TIME: u8 = 0x18;

    fn element(tag: u8, content: &[u8]) -> Vec<u8> {
        let length = u8::try_from(content.len()).expect("short");
        let length = if length < 0x80 { vec![length] } else { vec![0x81, length] };
        [&[tag], &length[..], content].concat()
    }

    /// A certificate of nobody's with this end; `version` stands in front where it is given.
    fn certificate(version: &[u8], tag: u8, end: &str) -> Vec<u8> {
        // Ed25519 (RFC 8410): 1.3.101.112.
        let algorithm = element(SEQUENCE, &[0x06, 3, 0x2B, 0x65, 0x70]);
        let start = element(UTC_TIME, b"490101000000Z");
        let validity = element(SEQUENCE, &[start, element(tag, end.as_bytes())].concat());
        let (serial, name) = (element(0x02, &[5]), element(SEQUENCE, &[]));
        let bits = element(0x03, &[0, 1, 2]);
        let key = element(SEQUENCE, &[&algorithm[..], &bits].concat());
        let parts = [version, &serial, &algorithm, &name, &validity, &name, &key].concat();
        let signed = element(SEQUENCE, &parts);
        element(SEQUENCE, &[signed, algorithm, bits].concat())
    }

    #[test]
    fn times_are_read_in_both_forms() {
        // Values by `date -u -d ... +%s`.
        for (tag, text, wanted) in [
            (UTC_TIME, "260314120000Z", Some(1_773_489_600)),
            (UTC_TIME, "500101000000Z", Some(-631_152_000)),
            (UTC_TIME, "491231235959Z", Some(2_524_607_999)),
            (GENERALIZED_TIME, "20500101000000Z", Some(2_524_608_000)),
            (GENERALIZED_TIME, "20000229000000Z", Some(951_782_400)),
            (GENERALIZED_TIME, "21260301000000Z", Some(4_927_996_800)),
            (GENERALIZED_TIME, "99991231235959Z", Some(253_402_300_799)),
            (UTC_TIME, "20260314120000Z", None),
            (UTC_TIME, "260314120000", None),
            (UTC_TIME, "261314120000Z", None),
            (GENERALIZED_TIME, "2026031412000xZ", None),
        ] {
            for version in [&[][..], &[0xA0, 3, 2, 1, 2]] {
                assert_eq!(ends(&certificate(version, tag, text)), wanted, "{text}");
            }
        }
    }

    proptest! {
        #[test]
        fn rubbish_is_no_certificate_and_harms_nothing(
            bytes in prop::collection::vec(any::<u8>(), 0..80),
            at in 0..200_usize,
        ) {
            let _ = ends(&bytes);
            let _ = ends(&[&[0x30, 0x84][..], &bytes].concat());
            // A certificate with rubbish in the middle, and one that is cut off.
            let mut spoilt = certificate(&[], UTC_TIME, "260314120000Z");
            let at = at % spoilt.len();
            prop_assert_eq!(ends(&spoilt[..at]), None);
            spoilt.splice(at.., bytes);
            let _ = ends(&spoilt);
        }
    }
}
