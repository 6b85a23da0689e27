//! Arguments in, exit code out.

fn main() -> std::process::ExitCode {
    keep_little_memory();
    ledgerline::cli::run(give_memory_back)
}

/// The C library of Linux learns from the first large block that is freed to keep as much for the next one, and more with each larger
/// block: three hours of tape then hold 90 MiB where 40 are in use. Fixed limits give what is free back.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn keep_little_memory() {
    /// Blocks from this size on come from the system and go back to it, bytes; a second of audio is smaller, and is used again.
    const LARGE: libc::c_int = 1 << 20;
    // SAFETY: sets two numbers of the allocator, before any other thread exists.
    unsafe {
        libc::mallopt(libc::M_MMAP_THRESHOLD, LARGE);
        libc::mallopt(libc::M_TRIM_THRESHOLD, LARGE);
    }
}

/// What many small blocks have left free between them goes back only when asked for.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn give_memory_back() {
    // SAFETY: looks only at what is free, under the locks of the allocator.
    unsafe {
        libc::malloc_trim(0);
    }
}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn keep_little_memory() {}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
fn give_memory_back() {}
