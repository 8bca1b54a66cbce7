//! Work shared among threads.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// In the order of the items, whatever the threads do.
pub fn each<T: Copy + Sync, R: Send>(
    items: &[T],
    threads: usize,
    work: impl Fn(T) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, R)>> = Mutex::new(Vec::with_capacity(items.len()));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((i, item)) = {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    items.get(i).map(|item| (i, *item))
                } {
                    let result = work(item);
                    if let Ok(mut done) = done.lock() {
                        done.push((i, result));
                    }
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_default();
    done.sort_by_key(|d| d.0);
    done.into_iter().map(|d| d.1).collect()
}
