//! What the targets share: bytes in a file in memory, and panics judged by whether they escape.

use std::path::PathBuf;
use std::sync::Once;

static QUIET: Once = Once::new();

/// The fuzzer's own hook ends the process at the first panic, also at one that the program contains. A panic that escapes
/// the target still ends it, because nothing below the target catches it.
pub fn judge_escaping_panics_only() {
    QUIET.call_once(|| std::panic::set_hook(Box::new(|_| {})));
}

/// Runs `work`; a panic that comes out of it ends the process with its message, which is what the fuzzer looks for.
#[allow(dead_code)]
pub fn must_not_panic(work: impl FnOnce()) {
    judge_escaping_panics_only();
    if let Err(panic) = std::panic::catch_unwind(std::panic::AssertUnwindSafe(work)) {
        let text = panic.downcast_ref::<String>().cloned();
        let text = text.or_else(|| panic.downcast_ref::<&str>().map(|s| (*s).to_owned()));
        eprintln!("panic escaped: {}", text.unwrap_or_default());
        std::process::abort();
    }
}

/// Puts `data` where the readers can open it.
#[allow(dead_code)]
pub fn in_memory_file(data: &[u8]) -> PathBuf {
    let folder = PathBuf::from("/dev/shm");
    let folder = if folder.is_dir() { folder } else { std::env::temp_dir() };
    let path = folder.join(format!("ledgerline-fuzz-{}", std::process::id()));
    std::fs::write(&path, data).expect("the scratch file can be written");
    path
}
