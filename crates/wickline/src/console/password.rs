//! Passwords: how they are proved, and which are taken.

use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Argon2, password_hash};
use tokio::sync::Semaphore;
use unicode_normalization::UnicodeNormalization;

use crate::acts::people::{folded, key};

/// Characters of a password at least and at most. NIST SP 800-63B-4, 3.1.1.2, asks for 15 where it stands alone and
/// lets 8 be enough beside something else; ours guards a room that is locked itself.
pub const SHORTEST: usize = 12;
pub const LONGEST: usize = 128;

/// How many are proved at once: each takes 19 MiB.
static PLACES: Semaphore = Semaphore::const_new(2);

/// Long passwords that come first wherever people's choices were counted: from memory, as every public list has them.
const COMMON: &[&str] = &[
    "123456789012",
    "1234567890123",
    "12345678901234",
    "123456789012345",
    "1234567890123456",
    "123123123123",
    "111111111111",
    "000000000000",
    "qwertyuiop12",
    "qwertyuiop123",
    "qwertyuiop[]",
    "qwertyuiopasdf",
    "asdfghjkl123",
    "1q2w3e4r5t6y",
    "1qaz2wsx3edc",
    "1qaz2wsx3edc4rfv",
    "q1w2e3r4t5y6",
    "zaq12wsxcde3",
    "password1234",
    "password12345",
    "passwordpassword",
    "password123!",
    "iloveyou1234",
    "letmein12345",
    "welcome12345",
    "welcome123456",
    "administrator",
    "administrator1",
    "changeme1234",
    "changemenow1",
    "abcdefghijkl",
    "abcd12345678",
    "abc123456789",
    "laboratory12",
    "laboratory123",
    "laboratorio1",
    "laboratorio123",
    "urinalysis12",
    "urinalysis123",
    "hospital1234",
    "hospital12345",
    "trustno1trustno1",
    "sunshine1234",
    "football1234",
    "baseball1234",
    "monkey123456",
    "dragon123456",
    "master123456",
    "superman1234",
    "princess1234",
    "correcthorsebatterystaple",
];

/// Why a password is not taken. The rules say nothing of which characters it must have: length is what helps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weak {
    Short,
    Long,
    /// Everybody's, or one that only looks long.
    Common,
    /// The person's own name, the laboratory's or ours is most of it.
    Named,
}

/// As it is proved: the same however a keyboard makes its letters (NIST SP 800-63B-4, 3.1.1.2).
fn normal(password: &str) -> String {
    password.nfkc().collect()
}

/// Whether it is taken.
pub fn judged(password: &str, names: &[&str]) -> Result<(), Weak> {
    let password = normal(password);
    let length = password.chars().count();
    if length < SHORTEST {
        return Err(Weak::Short);
    }
    if length > LONGEST {
        return Err(Weak::Long);
    }
    let plain = folded(&password);
    let mut kinds: Vec<char> = plain.chars().collect();
    kinds.sort_unstable();
    kinds.dedup();
    let step = |pair: &[char]| (u32::from(pair[1])).abs_diff(u32::from(pair[0])) <= 1;
    let letters: Vec<char> = plain.chars().collect();
    let runs = letters.windows(2).filter(|pair| step(pair)).count();
    if kinds.len() < 5 || COMMON.contains(&plain.as_str()) || runs * 4 > letters.len() * 3 {
        return Err(Weak::Common);
    }
    let mut rest = plain.clone();
    let words = names.iter().flat_map(|name| name.split(|c: char| !c.is_alphanumeric()));
    for word in words.map(folded).filter(|word| word.chars().count() >= 4) {
        rest = rest.replace(&word, "");
    }
    match rest.chars().count() < 8 {
        true => Err(Weak::Named),
        false => Ok(()),
    }
}

/// Digits of the PIN of a badge at least and at most: beside something that one has, 6 are enough (NIST SP 800-63B-4,
/// 3.1.4.2, of secrets that a device asks for; ours is asked for by the server, under its limit on tries).
pub const PIN: std::ops::RangeInclusive<usize> = 6..=12;

/// Whether a PIN is taken: digits, not all of a kind and no steps of one.
pub fn is_pin(pin: &str) -> bool {
    let bytes = pin.as_bytes();
    let mut kinds = bytes.to_vec();
    kinds.sort_unstable();
    kinds.dedup();
    let steps = bytes.windows(2).filter(|pair| pair[1].abs_diff(pair[0]) <= 1).count();
    PIN.contains(&bytes.len())
        && bytes.iter().all(u8::is_ascii_digit)
        && kinds.len() > 2
        && steps + 2 < bytes.len()
}

/// What proves a password: Argon2id with 19 MiB, 2 passes, 1 lane, as the OWASP Password Storage Cheat Sheet asks at
/// least, and as the library has it by default.
pub async fn secret(password: &str) -> Result<String, password_hash::Error> {
    let (password, salt) = (normal(password), key().map_err(|_| password_hash::Error::Crypto)?);
    in_turn(move || {
        let made: PasswordHash = Argon2::default()
            .hash_password_with_salt(password.as_bytes(), &salt.as_bytes()[..32])?;
        Ok(made.to_string())
    })
    .await
}

/// Of no password: what is proved where there is nobody, so that it takes as long.
const NONE: &str = "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5IGlzIGhlcmU$ngY9bTDCxV5Gq9ZN1Yw0i8X8f0Mmr0gLJ3Fq8ZQYd2k";

/// Whether a password is the one. Where there is none to compare it with it takes as long, and is not.
pub async fn proves(password: &str, secret: Option<&str>) -> bool {
    let known = secret.is_some();
    let (password, secret) = (normal(password), secret.unwrap_or(NONE).to_owned());
    if password.chars().count() > LONGEST {
        return false;
    }
    let proved = in_turn(move || {
        let secret = PasswordHash::new(&secret)?;
        Argon2::default().verify_password(password.as_bytes(), &secret)
    });
    proved.await.is_ok() && known
}

async fn in_turn<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, password_hash::Error> + Send + 'static,
) -> Result<T, password_hash::Error> {
    let _place = PLACES.acquire().await.map_err(|_| password_hash::Error::Crypto)?;
    tokio::task::spawn_blocking(work).await.map_err(|_| password_hash::Error::Crypto)?
}

#[cfg(test)]
mod tests {
    use argon2::password_hash::phc::PasswordHash;

    use super::{NONE, Weak, is_pin, judged, proves, secret};

    #[test]
    fn what_everybody_takes_is_not_taken() {
        let names = ["J. Mast", "Kestrel Point Clinic", "wickline"];
        for (password, wanted) in [
            ("short", Err(Weak::Short)),
            (&"x".repeat(129), Err(Weak::Long)),
            ("password12345", Err(Weak::Common)),
            ("PASSWORD12345", Err(Weak::Common)),
            ("aaaaaaaaaaaaaaaa", Err(Weak::Common)),
            ("abcdefghijklmnop", Err(Weak::Common)),
            ("kestrelpoint2026", Err(Weak::Named)),
            ("wicklinemast1", Err(Weak::Named)),
            ("four tubes on a tray", Ok(())),
            ("uma tira e um tubo", Ok(())),
        ] {
            assert_eq!(judged(password, &names), wanted, "{password}");
        }
    }

    #[test]
    fn a_pin_that_everybody_tries_first_is_not_taken() {
        for pin in ["12345", "123456", "654321", "111111", "121212", "1234567890123", "12345a", ""]
        {
            assert!(!is_pin(pin), "{pin}");
        }
        for pin in ["270391", "905163", "481516234208"] {
            assert!(is_pin(pin), "{pin}");
        }
    }

    #[test]
    fn what_nobody_has_takes_as_long_as_what_somebody_has() {
        let of = |text: &str| {
            let secret = PasswordHash::new(text).expect("it is one");
            (secret.algorithm.to_string(), secret.params.to_string(), secret.hash.map(|h| h.len()))
        };
        assert_eq!(of(NONE), ("argon2id".into(), "m=19456,t=2,p=1".into(), Some(32)));
    }

    #[tokio::test]
    async fn only_the_password_proves_itself() {
        let made = secret("four tubes on a tray").await.expect("it is made");
        assert!(made.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{made}");
        assert_ne!(made, secret("four tubes on a tray").await.expect("with another salt"));
        assert!(proves("four tubes on a tray", Some(&made)).await);
        // The same letters from another keyboard.
        let accented = secret("quatro p\u{e1}ginas e um tubo").await.expect("it is made");
        assert!(proves("quatro pa\u{301}ginas e um tubo", Some(&accented)).await);
        for wrong in ["four tubes on a Tray", "", "four tubes on a tray "] {
            assert!(!proves(wrong, Some(&made)).await, "{wrong}");
        }
        assert!(!proves("four tubes on a tray", None).await);
        assert!(!proves("four tubes on a tray", Some("nonsense")).await);
    }
}
