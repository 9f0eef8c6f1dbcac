//! What keeps ids apart that two histories of one ledger give out: 55 random bits in every control id and
//! 50 of them in every OBR-3, beside the number of the message or report.
//!
//! An era is drawn for each transaction that makes ids: at a start, after a step of the clock, for a
//! command, and in between. So nothing has to notice that a machine woke up with an older memory; what its
//! random source may then say a second time is stirred with both clocks.
//!
//! The number stays part of both. In a control id it is whole (35 bits): two are alike only where a ledger
//! gave the same number again and drew the same 55 bits, one in 3.6e16 for each number given again. OBR-3
//! has 13 characters, 65 bits: the last 15 bits of the number, so that no 32,768 reports in a row can be
//! alike, and 50 drawn ones. Of N that a receiver ever gets, from however many ledgers, however often set
//! back, any two are alike with a chance of less than N²/2 in 2^65 (the birthday bound), and of what one
//! restore gives again, m numbers, with about m in 2^50: for a million OBR-3 1.4e-8, for twenty million
//! (twenty busy benches for ten years) 5.4e-6, for a thousand numbers given again 9e-13. With the whole
//! number in it (25 bits for 33 million) and 40 drawn bits, two ledgers that give the same numbers would
//! meet with one in 1.1e12 for each of them: twenty benches of a million, 1.7e-4.

use sha2::{Digest, Sha256};

use super::StoreError;
use crate::clock;

/// Digits and capital letters that are not taken for each other: 5 bits each. A receiver that folds the
/// case of an id loses nothing.
const LETTERS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

/// Characters of an era in a control id, and in an OBR-3.
const IN_CONTROL_ID: usize = 11;
const IN_FILLER: usize = 10;

/// The random part of the ids of one transaction.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Era(String);

impl Era {
    /// Draws one from the system's random source, stirred with the wall clock and the steady one.
    pub fn draw() -> Result<Self, StoreError> {
        #[cfg(test)]
        if taken_out::DRAWING.get() {
            return Ok(Self::measure());
        }
        let drawn = random()?;
        Ok(Self(drawn.iter().take(IN_CONTROL_ID).map(|byte| letter((*byte).into())).collect()))
    }

    /// One to measure with whether a message can be built: nothing with it leaves.
    #[must_use]
    pub fn measure() -> Self {
        Self("0".repeat(IN_CONTROL_ID))
    }

    /// The control id of the n-th message, 20 characters. Their order is the order of the numbers.
    #[must_use]
    pub fn control_id(&self, n: i64) -> String {
        format!("WK{}{}", digits(n, 7), self.0)
    }

    /// OBR-3 of the n-th report, 13 characters.
    #[must_use]
    pub fn filler(&self, n: i64) -> String {
        format!("{}{}", digits(n, 3), &self.0[..IN_FILLER])
    }

    /// A name for a new ledger.
    #[must_use]
    pub fn name(&self) -> String {
        self.0[..8].to_owned()
    }
}

/// Bytes from the system's random source, stirred with the wall clock and the steady one.
pub(crate) fn random() -> Result<[u8; 32], StoreError> {
    let mut seed = [0_u8; 32];
    let mut have = 0;
    while have < seed.len() {
        let flags = rustix::rand::GetRandomFlags::empty();
        match rustix::rand::getrandom(&mut seed[have..], flags) {
            Ok(got) => have += got,
            Err(rustix::io::Errno::INTR) => {}
            Err(error) => {
                let what = "the system's random source".to_owned();
                return Err(StoreError::Unsafe { what, why: error.to_string() });
            }
        }
    }
    let mut stirred = Sha256::new();
    stirred.update(seed);
    stirred.update(clock::now_us().to_be_bytes());
    stirred.update(clock::steady_us().to_be_bytes());
    Ok(stirred.finalize().into())
}

/// What a test takes out, to see that it is missed.
#[cfg(test)]
pub(crate) mod taken_out {
    use std::cell::Cell;

    thread_local! {
        pub(crate) static DRAWING: Cell<bool> = const { Cell::new(false) };
    }
}

fn letter(bits: i64) -> char {
    usize::try_from(bits & 31).map_or('0', |index| char::from(LETTERS[index]))
}

/// The last digits of a number to base 32.
fn digits(n: i64, count: u32) -> String {
    (0..count).rev().map(|place| letter(n >> (5 * place))).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::{Era, IN_CONTROL_ID, digits};

    #[test]
    fn ids_fill_their_fields_and_go_up() {
        let era = Era::draw().expect("a random source");
        let (first, next) = (era.control_id(31), era.control_id(32));
        assert_eq!((first.len(), era.filler(31).len()), (20, 13));
        assert!(first < next, "{first} {next}");
        assert!(first.starts_with("WK000000Z"), "{first}");
        assert_eq!(era.control_id(i64::MAX).len(), 20);
        assert_eq!(digits(32_768 + 31, 3), "00Z", "the last digits");
    }

    /// Every place of an era says something, and no two of many are alike.
    #[test]
    fn eras_are_unlike_in_every_place() {
        let eras: Vec<Era> = (0..2000).map(|_| Era::draw().expect("a random source")).collect();
        let unlike: BTreeSet<&str> = eras.iter().map(|era| &era.0[..]).collect();
        assert_eq!(unlike.len(), eras.len());
        for place in 0..IN_CONTROL_ID {
            let seen: BTreeSet<u8> = eras.iter().map(|era| era.0.as_bytes()[place]).collect();
            assert_eq!(seen.len(), 32, "place {place}");
        }
    }
}
