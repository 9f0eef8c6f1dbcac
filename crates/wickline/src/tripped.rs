//! A check that holds in every build was tripped, by what somebody else said: what becomes of that is decided by
//! whoever was at work on it. One report is held, one receiver waits; the laboratory goes on.
//!
//! What a panic says may quote what was read. So its place alone is told, and its words go nowhere.

use std::cell::{Cell, RefCell};
use std::panic::{AssertUnwindSafe, Location, catch_unwind, set_hook, take_hook};
use std::pin::pin;
use std::sync::Once;
use std::task::Poll;

thread_local! {
    /// How many guards stand around what this thread does.
    static GUARDS: Cell<usize> = const { Cell::new(0) };
    /// Where the last one was tripped.
    static PLACE: RefCell<String> = const { RefCell::new(String::new()) };
}

/// Where a check of this program was tripped.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a check of this program was tripped at {place}: please report that place")]
pub struct Tripped {
    place: String,
}

/// Does what somebody else's bytes could trip.
pub fn guarded<T>(work: impl FnOnce() -> T) -> Result<T, Tripped> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let usual = take_hook();
        set_hook(Box::new(move |panic| {
            if GUARDS.get() == 0 {
                return usual(panic);
            }
            PLACE.with_borrow_mut(|place| *place = panic.location().map_or(String::new(), named));
        }));
    });
    GUARDS.set(GUARDS.get() + 1);
    // Whoever asks drops what was at work on it, and begins anew from what is kept.
    let done = catch_unwind(AssertUnwindSafe(work));
    GUARDS.set(GUARDS.get() - 1);
    done.map_err(|_| Tripped { place: PLACE.take() })
}

/// The same of something that waits.
pub async fn guarded_while<T>(work: impl Future<Output = T>) -> Result<T, Tripped> {
    let mut work = pin!(work);
    std::future::poll_fn(|context| match guarded(|| work.as_mut().poll(context)) {
        Ok(Poll::Pending) => Poll::Pending,
        Ok(Poll::Ready(done)) => Poll::Ready(Ok(done)),
        Err(tripped) => Poll::Ready(Err(tripped)),
    })
    .await
}

/// In our own sources or a library's, without the folders of the machine that built it.
fn named(at: &Location<'_>) -> String {
    let file = at.file();
    let short = file.find("crates/").or_else(|| Some(file.rfind("/src/")? + 1)).unwrap_or(0);
    format!("{}:{}", &file[short..], at.line())
}

#[cfg(test)]
mod tests {
    use super::{guarded, guarded_while};

    #[test]
    fn what_was_tripped_is_told_by_its_place_and_never_by_its_words() {
        let tripped = guarded(|| "KP-20417 \u{e9}"[..10].len()).expect_err("no such letter");
        let said = tripped.to_string();
        assert!(said.contains("src/tripped.rs:"), "{said}");
        assert!(!said.contains("KP-") && !format!("{tripped:?}").contains("KP-"), "{said}");
        assert_eq!(guarded(|| 7), Ok(7), "and the next goes on");
    }

    #[tokio::test]
    async fn what_waits_is_guarded_in_each_of_its_turns() {
        let waits = async {
            tokio::task::yield_now().await;
            let past = u8::try_from(tokio::time::Instant::now().elapsed().as_secs()).unwrap_or(0);
            [1_u8][usize::from(past) + 1]
        };
        let said = guarded_while(waits).await.expect_err("there is one alone").to_string();
        assert!(said.contains("src/tripped.rs:"), "{said}");
        assert_eq!(guarded_while(async { 7 }).await, Ok(7));
    }
}
