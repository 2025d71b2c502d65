//! A request to stop.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Asks runs to stop: clones share one request, and every run that holds one looks at it once a cycle. Nobody cancels the default.
#[derive(Clone, Debug, Default)]
pub struct Cancel(Arc<AtomicBool>);

impl Cancel {
    /// Asks for it; whether that had been done before.
    pub fn cancel(&self) -> bool {
        self.0.swap(true, Ordering::Relaxed)
    }

    /// Whether it has been asked for.
    pub fn is_cancelled(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}
