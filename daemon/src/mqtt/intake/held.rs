//! How much of what came in is in memory, on its way to the disk.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};

#[derive(Default)]
pub struct Held(AtomicUsize);

/// Counts until dropped.
pub struct Piece {
    held: Arc<Held>,
    bytes: usize,
}

impl Held {
    pub fn bytes(&self) -> usize {
        self.0.load(Relaxed)
    }

    pub fn hold(self: &Arc<Held>, bytes: usize) -> Piece {
        self.0.fetch_add(bytes, Relaxed);
        Piece {
            held: self.clone(),
            bytes,
        }
    }
}

impl Drop for Piece {
    fn drop(&mut self) {
        self.held.0.fetch_sub(self.bytes, Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_dropped_counts_no_more() {
        let held = Arc::<Held>::default();
        let first = held.hold(5);
        let second = held.hold(7);
        assert_eq!(held.bytes(), 12);
        drop(first);
        assert_eq!(held.bytes(), 7);
        drop(second);
        assert_eq!(held.bytes(), 0);
    }
}
