//! SHA-256 as people and rows have it: hexadecimal digits.

use sha2::{Digest, Sha256};

/// The digest of a text.
#[must_use]
pub fn of(text: &str) -> String {
    of_bytes(text.as_bytes())
}

/// The digest of bytes.
#[must_use]
pub fn of_bytes(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// Bytes in hexadecimal digits.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
