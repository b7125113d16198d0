//! A fault of the program that only one plan, letter or request sets off costs that one alone.
//!
//! Whatever the program does over one of them by itself is guarded: a panic there is an answer like
//! any other, and the plan is set aside, the letter written plainly, the request refused. A panic
//! anywhere else ends the process at once, so that nothing is left that only looks alive.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::pin::pin;
use std::task::Poll;
use std::thread::sleep;
use std::time::Duration;

/// How long the log has for its last line, before the process ends.
const FOR_LAST_WORDS: Duration = Duration::from_millis(100);

thread_local! {
    /// How many guards are round what this thread does now.
    static GUARDS: Cell<u32> = const { Cell::new(0) };
}

/// The program itself failed over what it was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Panicked;

/// A guard for as long as it lives.
struct Guard;

impl Guard {
    fn stand() -> Self {
        GUARDS.set(GUARDS.get() + 1);
        Guard
    }
}

impl Drop for Guard {
    fn drop(&mut self) {
        GUARDS.set(GUARDS.get() - 1);
    }
}

/// Does something that a fault of the program may end.
///
/// # Errors
/// It panicked. What it held is gone; what others see of it must be whole all the same.
pub fn guarded<T>(work: impl FnOnce() -> T) -> Result<T, Panicked> {
    let _guard = Guard::stand();
    catch_unwind(AssertUnwindSafe(work)).map_err(|_| Panicked)
}

/// As [`guarded`], for something that waits in between.
///
/// # Errors
/// As [`guarded`].
pub async fn guarded_while<F: Future>(work: F) -> Result<F::Output, Panicked> {
    let mut work = pin!(work);
    std::future::poll_fn(move |context| match guarded(|| work.as_mut().poll(context)) {
        Ok(Poll::Pending) => Poll::Pending,
        Ok(Poll::Ready(done)) => Poll::Ready(Ok(done)),
        Err(panicked) => Poll::Ready(Err(panicked)),
    })
    .await
}

/// Does this to its end: whoever asked for it may go meanwhile, as a telephone does.
pub async fn to_its_end<T: Send + 'static>(doing: impl Future<Output = T> + Send + 'static) -> T {
    let done = tokio::spawn(guarded_while(doing)).await.ok().and_then(Result::ok);
    // The guard of whoever asked deals with it.
    done.unwrap_or_else(|| resume_unwind(Box::new("the program fails over what was asked")))
}

/// From now on a panic outside every guard ends the process. The log hears where a panic was, and
/// not its words: they may quote what a plan says.
pub fn end_with_other_panics() {
    std::panic::set_hook(Box::new(|panic| {
        let at = panic.location().map(ToString::to_string).unwrap_or_default();
        if GUARDS.get() > 0 {
            tracing::error!(at, "a fault of the program; what set it off is dealt with by itself");
            return;
        }
        tracing::error!(at, "a fault of the program: it ends, and NOBODY WATCHES until it starts");
        // Another thread writes that down.
        sleep(FOR_LAST_WORDS);
        std::process::abort();
    }));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fails(fails: bool) -> u32 {
        assert!(!fails, "as it was told to");
        7
    }

    #[tokio::test]
    async fn a_panic_under_a_guard_is_an_answer() {
        assert_eq!(guarded(|| fails(false)), Ok(7));
        assert_eq!(guarded(|| fails(true)), Err(Panicked));
        let waits = |at_last: bool| async move {
            tokio::task::yield_now().await;
            fails(at_last)
        };
        assert_eq!(guarded_while(waits(false)).await, Ok(7));
        assert_eq!(guarded_while(waits(true)).await, Err(Panicked));
        assert_eq!(GUARDS.get(), 0, "no guard is left standing");
    }

    /// The process that ends.
    #[test]
    #[ignore = "a process for the next test"]
    fn one_that_fails() {
        end_with_other_panics();
        assert_eq!(guarded(|| fails(true)), Err(Panicked));
        println!("went on");
        let _ended = std::thread::spawn(|| assert!(GUARDS.get() > 0, "Zqasthma")).join();
        println!("only looked alive");
    }

    #[test]
    fn a_panic_without_a_guard_ends_the_process_and_quotes_nothing() {
        use std::os::unix::process::ExitStatusExt;
        let mut it = std::process::Command::new(std::env::current_exe().unwrap());
        it.args(["--ignored", "--exact", "guarded::tests::one_that_fails", "--nocapture"]);
        let ended = it.output().unwrap();
        let said = String::from_utf8_lossy(&ended.stdout);
        assert!(said.contains("went on") && !said.contains("only looked alive"), "{said}");
        // SIGABRT is 6 (signal(7)).
        assert_eq!(ended.status.signal(), Some(6), "{said}");
        assert!(!String::from_utf8_lossy(&ended.stderr).contains("Zqasthma"));
    }
}
