//! Passwords: how they are proved, and which are taken.

use std::sync::OnceLock;

use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Argon2, password_hash};
use tokio::sync::Semaphore;
use unicode_normalization::UnicodeNormalization;

use crate::acts::people::{folded, key};
use crate::digest;

/// Characters of a password at least and at most. NIST SP 800-63B-4, 3.1.1.2, asks for 15 where it stands alone and
/// lets 8 be enough beside something else; ours guards a room that is locked itself.
pub const SHORTEST: usize = 12;
pub const LONGEST: usize = 128;

/// How many are proved at once: each takes 19 MiB.
static PLACES: Semaphore = Semaphore::const_new(2);

/// The most used passwords of our length, as digests: where they are from stands in the file.
const USED: &str = include_str!("../../text/passwords.txt");

/// More that come first to mind in such a place, from memory.
const HERE: &[&str] = &[
    "qwertyuiop[]",
    "password123!",
    "letmein12345",
    "administrator1",
    "changeme1234",
    "changemenow1",
    "abcd12345678",
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

/// Beside one of them so few characters more help nobody.
const MORE: usize = 3;

/// What of a digest stands in the file.
fn mark(digest: &str) -> Option<u64> {
    u64::from_str_radix(digest.get(..12)?, 16).ok()
}

/// The digests, sorted.
fn used() -> &'static [u64] {
    static USED_MARKS: OnceLock<Vec<u64>> = OnceLock::new();
    USED_MARKS
        .get_or_init(|| USED.lines().filter(|l| !l.starts_with('#')).filter_map(mark).collect())
}

/// Whether it is one that many take, or one of them with next to nothing before or behind it.
fn is_common(plain: &str) -> bool {
    let letters: Vec<char> = plain.chars().collect();
    let shortest = letters.len().saturating_sub(MORE).max(SHORTEST);
    (shortest..=letters.len()).flat_map(|long| letters.windows(long)).any(|part| {
        let part: String = part.iter().collect();
        let known =
            mark(&digest::of(&part)).is_some_and(|mark| used().binary_search(&mark).is_ok());
        known || HERE.contains(&part.as_str())
    })
}

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
    if kinds.len() < 5 || is_common(&plain) || runs * 4 > letters.len() * 3 {
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

    use super::{HERE, NONE, SHORTEST, Weak, is_pin, judged, proves, secret, used};

    #[test]
    fn what_everybody_takes_is_not_taken() {
        let names = ["J. Mast", "Kestrel Point Clinic", "wickline"];
        for (password, wanted) in [
            ("short", Err(Weak::Short)),
            (&"x".repeat(129), Err(Weak::Long)),
            ("password12345", Err(Weak::Common)),
            ("PASSWORD12345", Err(Weak::Common)),
            ("leavemealone", Err(Weak::Common)),
            ("Leavemealone1!", Err(Weak::Common)),
            ("1a.leavemealone", Err(Weak::Common)),
            ("leavemealone with it", Ok(())),
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

    /// ASVS 5.0, 6.2.4, asks for 3000 of the length that is asked for.
    #[test]
    fn the_most_used_of_our_length_are_known() {
        assert!(used().len() >= 3000 && used().is_sorted_by(|a, b| a < b), "{}", used().len());
        for password in ["123qweasdzxc", "1qaz2wsx3edc", "qwertyqwerty", "ghjcnjgfhjkm"] {
            assert_eq!(judged(password, &[]), Err(Weak::Common), "{password}");
        }
        for own in HERE {
            assert!(own.len() >= SHORTEST && judged(own, &[]) == Err(Weak::Common), "{own}");
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
