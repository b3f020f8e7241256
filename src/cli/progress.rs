//! A bar on standard error while something takes long, where somebody sits at the terminal.

use std::sync::Mutex;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// The bar; it goes when it is dropped. Piped or redirected, nothing is drawn.
pub struct Bar {
    bar: ProgressBar,
    shown: Mutex<(&'static str, usize)>,
}

impl Bar {
    /// Draws nothing yet.
    pub fn new() -> Self {
        let style = ProgressStyle::with_template("{msg:26} {wide_bar} {pos} of {len}");
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::stderr());
        let bar = match style {
            Ok(style) => bar.with_style(style.progress_chars("=- ")),
            Err(_) => bar,
        };
        Self { bar, shown: Mutex::new(("", 0)) }
    }

    /// So many of `all` steps of something are done. From any thread; a thread that was late does not turn the bar back.
    pub fn show(&self, what: &'static str, done: usize, all: usize) {
        let mut shown = self.shown.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        if shown.0 != what {
            *shown = (what, done);
            self.bar.set_message(what);
            self.bar.set_length(all as u64);
        }
        shown.1 = shown.1.max(done);
        self.bar.set_position(shown.1 as u64);
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
