//! Tiles are coloured on threads of their own; the window only hands over finished ones.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::{io, thread};

use eframe::egui::ColorImage;

use crate::gui::pyramid::{Pyramid, TileKey};
use crate::gui::tone::Tone;
use crate::job::let_the_window_go_first;

/// Which tile of which picture in which development.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// The layer that asked.
    pub layer: u64,
    /// Counts the developments of that layer.
    pub generation: u64,
    /// The tile.
    pub key: TileKey,
}

/// A tile that is wanted.
pub struct Order {
    /// Which one.
    pub stamp: Stamp,
    /// The picture.
    pub pyramid: Arc<Pyramid>,
    /// How it is developed.
    pub tone: Arc<Tone>,
}

/// A finished tile; no image if colouring it failed, which is a bug that must not end the window.
pub struct Finished {
    /// Which one.
    pub stamp: Stamp,
    /// Its colours.
    pub image: Option<ColorImage>,
}

/// The threads that colour tiles.
pub struct TileWorks {
    shared: Arc<Shared>,
    finished: Receiver<Finished>,
    threads: Vec<thread::JoinHandle<()>>,
}

#[derive(Default)]
struct Shared {
    queue: Mutex<Queue>,
    more: Condvar,
}

#[derive(Default)]
struct Queue {
    /// The most urgent is last.
    orders: Vec<Order>,
    busy: Vec<Stamp>,
    closed: bool,
}

impl TileWorks {
    /// Starts the threads; `wake` is called after each tile.
    pub fn start(wake: impl Fn() + Send + Sync + 'static) -> io::Result<Self> {
        let shared = Arc::new(Shared::default());
        let (sender, finished) = channel();
        let wake = Arc::new(wake);
        // One core is left to the window itself; more than a few threads gain nothing on a screenful.
        let n_threads = thread::available_parallelism().map_or(1, |n| n.get().saturating_sub(1)).clamp(1, 4);
        let mut threads = Vec::new();
        for _ in 0..n_threads {
            let (shared, sender, wake) = (Arc::clone(&shared), sender.clone(), Arc::clone(&wake));
            let work = move || color_tiles(&shared, &sender, &*wake);
            threads.push(thread::Builder::new().name("tiles".to_owned()).spawn(work)?);
        }
        Ok(Self { shared, finished, threads })
    }

    /// Replaces what is wanted, most urgent first; what is being coloured just now is not coloured twice.
    pub fn want(&self, mut orders: Vec<Order>) {
        let mut queue = self.shared.queue.lock().unwrap_or_else(PoisonError::into_inner);
        orders.retain(|order| !queue.busy.contains(&order.stamp));
        orders.reverse();
        queue.orders = orders;
        drop(queue);
        self.shared.more.notify_all();
    }

    /// One finished tile, if there is one.
    #[must_use]
    pub fn take(&self) -> Option<Finished> {
        let finished = self.finished.try_recv().ok()?;
        let mut queue = self.shared.queue.lock().unwrap_or_else(PoisonError::into_inner);
        queue.busy.retain(|stamp| *stamp != finished.stamp);
        Some(finished)
    }
}

impl Drop for TileWorks {
    fn drop(&mut self) {
        self.shared.queue.lock().unwrap_or_else(PoisonError::into_inner).closed = true;
        self.shared.more.notify_all();
        for thread in self.threads.drain(..) {
            // A panic was already caught inside the thread.
            let _ = thread.join();
        }
    }
}

fn color_tiles(shared: &Shared, sender: &Sender<Finished>, wake: &dyn Fn()) {
    let_the_window_go_first();
    while let Some(order) = next_order(shared) {
        let tile = catch_unwind(AssertUnwindSafe(|| order.tone.tile(&order.pyramid, order.stamp.key)));
        let image = tile.unwrap_or(None);
        if sender.send(Finished { stamp: order.stamp, image }).is_err() {
            return;
        }
        wake();
    }
}

/// Waits for an order and marks it as busy until it is taken; `None` once the window closes.
fn next_order(shared: &Shared) -> Option<Order> {
    let mut queue = shared.queue.lock().unwrap_or_else(PoisonError::into_inner);
    loop {
        if queue.closed {
            return None;
        }
        if let Some(order) = queue.orders.pop() {
            queue.busy.push(order.stamp);
            return Some(order);
        }
        queue = shared.more.wait(queue).unwrap_or_else(PoisonError::into_inner);
    }
}
