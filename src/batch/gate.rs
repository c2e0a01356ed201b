//! Scans wait here until there is memory for them.
//!
//! Each scan says how much it will take ([`crate::pipeline::memory`]) and holds a pass for that much until it is done;
//! the passes never add up to more than the budget. Turns are kept in the order of arrival, so that a large scan is not
//! overtaken for ever by small ones. A scan that alone is over the budget is refused at once,
//! so nobody waits for ever. Results do not depend on when a scan comes in.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard};
use std::time::Duration;

/// How often a waiting scan looks whether the run was interrupted; a signal cannot wake it by itself.
const LOOK: Duration = Duration::from_millis(50);

/// The gate of a run.
#[derive(Debug)]
pub(super) struct Gate {
    budget: u64,
    state: Mutex<State>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct State {
    used: u64,
    /// The next arrival's number, and the numbers of those who wait, in order.
    arrivals: u64,
    waiting: Vec<u64>,
}

/// Why there is no pass.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Refused {
    /// More than the whole budget.
    TooBig,
    Interrupted,
}

/// Memory set aside; given back when dropped.
#[derive(Debug)]
pub(super) struct Pass<'a> {
    gate: &'a Gate,
    bytes: u64,
}

impl Gate {
    /// A gate that lets in scans of together at most `budget` bytes.
    pub(super) fn new(budget: u64) -> Self {
        Self { budget, state: Mutex::default(), changed: Condvar::new() }
    }

    /// Waits until there is room. The caller must not hold a pass.
    pub(super) fn enter(&self, bytes: u64, interrupt: &AtomicBool) -> Result<Pass<'_>, Refused> {
        if bytes > self.budget {
            return Err(Refused::TooBig);
        }
        let mut state = self.lock();
        let number = state.arrivals;
        state.arrivals += 1;
        state.waiting.push(number);
        loop {
            let first = state.waiting.first() == Some(&number);
            let entered = first && state.used + bytes <= self.budget;
            let interrupted = interrupt.load(Ordering::Relaxed);
            if entered || interrupted {
                state.waiting.retain(|&waiting| waiting != number);
                if !interrupted {
                    state.used += bytes;
                }
                drop(state);
                // The next in line may fit beside.
                self.changed.notify_all();
                return if interrupted { Err(Refused::Interrupted) } else { Ok(Pass { gate: self, bytes }) };
            }
            state = self.changed.wait_timeout(state, LOOK).unwrap_or_else(|e| e.into_inner()).0;
        }
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(|e| e.into_inner())
    }
}

impl Drop for Pass<'_> {
    fn drop(&mut self) {
        self.gate.lock().used -= self.bytes;
        self.gate.changed.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::AtomicU64;
    use std::thread;

    use super::*;

    static NO: AtomicBool = AtomicBool::new(false);

    fn wait_for(gate: &Gate, waiting: usize) {
        while gate.lock().waiting.len() != waiting {
            thread::yield_now();
        }
    }

    #[test]
    fn a_scan_over_the_budget_is_refused_and_one_of_its_size_is_not() {
        let gate = Gate::new(100);
        assert_eq!(gate.enter(101, &NO).unwrap_err(), Refused::TooBig);
        let pass = gate.enter(100, &NO).unwrap();
        assert_eq!(gate.lock().used, 100);
        drop(pass);
        assert_eq!(gate.lock().used, 0);
    }

    #[test]
    fn the_sum_stays_under_the_budget() {
        let gate = Gate::new(100);
        let (inside, most) = (AtomicU64::new(0), AtomicU64::new(0));
        thread::scope(|scope| {
            for worker in 0..8_u64 {
                let (gate, inside, most) = (&gate, &inside, &most);
                scope.spawn(move || {
                    for turn in 0..200 {
                        let bytes = 10 + (worker * 13 + turn * 7) % 60;
                        let _pass = gate.enter(bytes, &NO).unwrap();
                        let now = inside.fetch_add(bytes, Ordering::SeqCst) + bytes;
                        most.fetch_max(now, Ordering::SeqCst);
                        thread::yield_now();
                        inside.fetch_sub(bytes, Ordering::SeqCst);
                    }
                });
            }
        });
        let most = most.into_inner();
        assert!((60..=100).contains(&most), "{most}");
        assert_eq!(gate.lock().used, 0);
    }

    #[test]
    fn turns_are_kept() {
        let gate = Gate::new(100);
        let order = Mutex::new(Vec::new());
        thread::scope(|scope| {
            let held = gate.enter(60, &NO).unwrap();
            for (place, bytes) in [90, 10].into_iter().enumerate() {
                let (gate, order) = (&gate, &order);
                scope.spawn(move || {
                    let _pass = gate.enter(bytes, &NO).unwrap();
                    order.lock().unwrap().push(bytes);
                });
                wait_for(gate, place + 1);
            }
            // The small one would fit, but the large one was first.
            assert!(order.lock().unwrap().is_empty());
            drop(held);
        });
        assert_eq!(order.lock().unwrap().len(), 2);
    }

    #[test]
    fn an_interrupt_ends_the_waiting_and_leaves_nothing_set_aside() {
        let gate = Gate::new(100);
        let interrupt = AtomicBool::new(false);
        let held = gate.enter(100, &NO).unwrap();
        thread::scope(|scope| {
            let waiter = scope.spawn(|| gate.enter(1, &interrupt).map(|_| ()));
            wait_for(&gate, 1);
            interrupt.store(true, Ordering::Relaxed);
            assert_eq!(waiter.join().unwrap(), Err(Refused::Interrupted));
        });
        drop(held);
        assert_eq!(gate.lock().used, 0);
        assert!(gate.lock().waiting.is_empty());
    }
}
