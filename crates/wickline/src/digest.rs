//! SHA-256 as people and rows have it: hexadecimal digits.

use sha2::{Digest, Sha256};

/// The digest of a text.
#[must_use]
pub fn of(text: &str) -> String {
    hex(&Sha256::digest(text.as_bytes()))
}

/// Bytes in hexadecimal digits.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
