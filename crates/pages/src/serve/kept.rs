//! What was made before, kept while there is room, and made once however many ask for it at a time.

use std::collections::BTreeMap;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

/// Values by what they depend on; those asked for longest ago go first when there is no more room.
pub(super) struct Kept<K, V> {
    room: usize,
    weigh: fn(&V) -> usize,
    shelf: Mutex<Shelf<K, V>>,
}

struct Shelf<K, V> {
    slots: BTreeMap<K, Slot<V>>,
    /// Counts the questions, so that the latest are known.
    asked: u64,
}

struct Slot<V> {
    value: Arc<Mutex<Option<V>>>,
    weight: usize,
    asked: u64,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl<K: Clone + Ord, V: Clone> Kept<K, V> {
    /// Keeps values up to a sum of `room`, each weighed by `weigh`.
    pub(super) fn new(room: usize, weigh: fn(&V) -> usize) -> Self {
        Self {
            room,
            weigh,
            shelf: Mutex::new(Shelf {
                slots: BTreeMap::new(),
                asked: 0,
            }),
        }
    }

    /// The value for `key`, made if it is not there. Who asks for the same meanwhile waits for it; who asks for
    /// another does not. What fails is not kept.
    pub(super) fn get<E>(&self, key: &K, make: impl FnOnce() -> Result<V, E>) -> Result<V, E> {
        let slot = self.slot(key);
        let mut value = lock(&slot);
        if let Some(value) = value.as_ref() {
            return Ok(value.clone());
        }
        match make() {
            Ok(made) => {
                *value = Some(made.clone());
                self.made(key, (self.weigh)(&made));
                Ok(made)
            }
            Err(error) => {
                lock(&self.shelf).slots.remove(key);
                Err(error)
            }
        }
    }

    /// The value for `key`, if it is there.
    pub(super) fn there(&self, key: &K) -> Option<V> {
        let slot = Arc::clone(&lock(&self.shelf).slots.get(key)?.value);
        // What is being made is not there yet.
        slot.try_lock().ok()?.clone()
    }

    fn slot(&self, key: &K) -> Arc<Mutex<Option<V>>> {
        let mut shelf = lock(&self.shelf);
        shelf.asked += 1;
        let asked = shelf.asked;
        let slot = shelf.slots.entry(key.clone()).or_insert_with(|| Slot {
            value: Arc::default(),
            weight: 0,
            asked,
        });
        slot.asked = asked;
        Arc::clone(&slot.value)
    }

    fn made(&self, key: &K, weight: usize) {
        let mut shelf = lock(&self.shelf);
        if let Some(slot) = shelf.slots.get_mut(key) {
            slot.weight = weight.max(1);
        }
        let mut sum: usize = shelf.slots.values().map(|s| s.weight).sum();
        while sum > self.room {
            // What is being made weighs nothing yet and stays.
            let made = shelf.slots.iter().filter(|(_, s)| s.weight > 0);
            let Some(oldest) = made.min_by_key(|(_, s)| s.asked).map(|(k, _)| k.clone()) else {
                return;
            };
            sum -= shelf.slots.remove(&oldest).map_or(0, |s| s.weight);
        }
    }
}

/// Lets so many through at a time.
pub(super) struct Gate {
    free: Mutex<usize>,
    freed: Condvar,
}

impl Gate {
    pub(super) fn new(wide: usize) -> Self {
        Self {
            free: Mutex::new(wide),
            freed: Condvar::new(),
        }
    }

    /// Waits for room and holds it until the answer is dropped.
    pub(super) fn pass(&self) -> Pass<'_> {
        let mut free = lock(&self.free);
        while *free == 0 {
            free = self.freed.wait(free).unwrap_or_else(PoisonError::into_inner);
        }
        *free -= 1;
        Pass(self)
    }
}

/// Room behind a [`Gate`].
pub(super) struct Pass<'a>(&'a Gate);

impl Drop for Pass<'_> {
    fn drop(&mut self) {
        *lock(&self.0.free) += 1;
        self.0.freed.notify_one();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};
    use std::time::{Duration, Instant};

    use super::*;

    fn infallible(value: usize) -> Result<usize, ()> {
        Ok(value)
    }

    #[test]
    fn the_same_is_made_once_and_others_do_not_wait() {
        let kept: Kept<u8, usize> = Kept::new(10, |_| 1);
        let made = AtomicUsize::new(0);
        let slowly = |value: usize| {
            made.fetch_add(1, Ordering::SeqCst);
            std::thread::sleep(Duration::from_millis(300));
            infallible(value)
        };
        let began = Instant::now();
        std::thread::scope(|scope| {
            for key in [1u8, 1, 1, 2, 2, 3] {
                let (kept, slowly) = (&kept, &slowly);
                scope.spawn(move || assert_eq!(kept.get(&key, || slowly(key.into())), Ok(key.into())));
            }
        });
        assert_eq!(made.load(Ordering::SeqCst), 3);
        assert!(began.elapsed() < Duration::from_millis(800), "one after another");
    }

    #[test]
    fn the_oldest_go_when_there_is_no_room() {
        let kept: Kept<usize, usize> = Kept::new(10, |v| *v);
        for key in [4, 3, 2, 4, 5] {
            let _ = kept.get(&key, || infallible(key));
        }
        let there = |key: usize| kept.get(&key, || Err(())).is_ok();
        // 4 was asked for again before 5 came, so 3 and 2 went; 5 + 4 fit.
        assert_eq!(
            [there(4), there(5), there(3), there(2)],
            [true, true, false, false]
        );
        // What alone is too heavy is answered and not kept.
        assert_eq!(kept.get(&50, || infallible(50)), Ok(50));
        assert!(kept.get(&50, || Err(())).is_err());
    }

    #[test]
    fn what_fails_is_tried_again() {
        let kept: Kept<u8, usize> = Kept::new(10, |_| 1);
        assert_eq!(kept.get(&1, || Err("no")), Err("no"));
        assert_eq!(kept.get(&1, || Ok::<_, &str>(7)), Ok(7));
    }

    #[test]
    fn a_gate_lets_no_more_through_than_it_is_wide() {
        let gate = Gate::new(2);
        let (now, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        std::thread::scope(|scope| {
            for _ in 0..8 {
                scope.spawn(|| {
                    let _pass = gate.pass();
                    most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                    std::thread::sleep(Duration::from_millis(20));
                    now.fetch_sub(1, Ordering::SeqCst);
                });
            }
        });
        assert_eq!(most.load(Ordering::SeqCst), 2);
    }
}
