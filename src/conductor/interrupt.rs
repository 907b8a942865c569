//! Ctrl-C for what waits for a terminal and has no loop.

use std::io;
use std::thread;

/// Does `then`, on a thread of its own, when Ctrl-C is pressed for the first time; the program does not end by it any more.
///
/// # Errors
/// The system gives no thread or no signals.
pub fn on_interrupt(then: impl FnOnce() + Send + 'static) -> io::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let wait = move || {
        if runtime.block_on(tokio::signal::ctrl_c()).is_ok() {
            then();
        }
    };
    thread::Builder::new().name("interrupt".to_owned()).spawn(wait)?;
    Ok(())
}
