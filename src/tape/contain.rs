//! A panic inside a decoder crate costs one tape, not the run.
//!
//! Conventions: while a contained call runs, the panic message is kept off stderr; other threads are not affected.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;

thread_local! {
    static CONTAINED: Cell<bool> = const { Cell::new(false) };
}
static QUIET_HOOK: Once = Once::new();

/// Runs `work`; a panic comes back as its message.
pub fn contain<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    QUIET_HOOK.call_once(|| {
        let previous = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if !CONTAINED.get() {
                previous(info);
            }
        }));
    });
    let outer = CONTAINED.replace(true);
    let result = catch_unwind(AssertUnwindSafe(work));
    CONTAINED.set(outer);
    result.map_err(|panic| {
        let text = panic.downcast_ref::<&str>().map(|s| (*s).to_owned());
        let text = text.or_else(|| panic.downcast_ref::<String>().cloned());
        text.unwrap_or_else(|| "no message".to_owned()).lines().next().unwrap_or("").to_owned()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_comes_back_as_its_message_and_later_calls_still_work() {
        assert_eq!(contain(|| -> u8 { panic!("index {} of {}", 7, 3) }), Err("index 7 of 3".to_owned()));
        assert_eq!(contain(|| 5), Ok(5));
    }
}
