//! Whose turn it is: each key's requests wait in a line of their own, so that whoever sends very
//! many at once waits for themselves alone.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// The lines of all keys for one kind of work.
#[derive(Clone)]
pub(super) struct Turns(Arc<Inner>);

struct Inner {
    at_once: usize,
    most: usize,
    lines: Mutex<BTreeMap<String, Line>>,
}

struct Line {
    places: Arc<Semaphore>,
    turns: Arc<Semaphore>,
    /// Whoever has a place, or is beside the line.
    there: usize,
}

/// A place in a key's line, until it is dropped.
pub(super) struct Place {
    all: Turns,
    key_id: String,
    places: Arc<Semaphore>,
    turns: Arc<Semaphore>,
    own: Option<OwnedSemaphorePermit>,
}

/// A place whose turn it is; for as long as it is kept.
pub(super) struct Turn {
    // Given back before the place is.
    _permit: Option<OwnedSemaphorePermit>,
    _place: Place,
}

impl Turns {
    /// So many of a key's have their turn at once, and so many are in its line, these included.
    pub(super) fn new(at_once: usize, most: usize) -> Self {
        Turns(Arc::new(Inner { at_once, most, lines: Mutex::default() }))
    }

    /// A place in this key's line; `None` where the line is full.
    pub(super) fn enter(&self, key_id: &str) -> Option<Place> {
        let mut place = self.beside(key_id);
        place.own = Some(Arc::clone(&place.places).try_acquire_owned().ok()?);
        Some(place)
    }

    /// The same beside the line: it has its turn as any other, and takes none of the places.
    pub(super) fn beside(&self, key_id: &str) -> Place {
        let mut lines = self.0.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let line = lines.entry(key_id.to_owned()).or_insert_with(|| Line {
            places: Arc::new(Semaphore::new(self.0.most)),
            turns: Arc::new(Semaphore::new(self.0.at_once)),
            there: 0,
        });
        line.there += 1;
        let (places, turns) = (Arc::clone(&line.places), Arc::clone(&line.turns));
        Place { all: self.clone(), key_id: key_id.to_owned(), places, turns, own: None }
    }
}

impl Place {
    /// Waits until those before it in its own line have had their turn.
    pub(super) async fn turn(self) -> Turn {
        // It never closes.
        let permit = Arc::clone(&self.turns).acquire_owned().await.ok();
        Turn { _permit: permit, _place: self }
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut lines = self.all.0.lines.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(line) = lines.get_mut(&self.key_id) {
            line.there -= 1;
            if line.there == 0 {
                lines.remove(&self.key_id);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::future::{Future, poll_fn};
    use std::task::Poll;

    use super::*;

    #[tokio::test]
    async fn a_key_waits_for_itself_alone_and_not_without_end() {
        let turns = Turns::new(1, 3);
        let mut places: Vec<_> = std::iter::from_fn(|| turns.enter("a")).collect();
        assert_eq!(places.len(), 3);
        let first = places.remove(0).turn().await;
        let mut second = Box::pin(places.remove(0).turn());
        let waits = poll_fn(|context| Poll::Ready(second.as_mut().poll(context))).await;
        assert!(waits.is_pending());
        // Another key's line is empty.
        drop(turns.enter("b").unwrap().turn().await);
        // Whoever stands beside the line takes nobody's place, and has their turn.
        let mut beside: Vec<_> = (0..9).map(|_| turns.beside("a")).collect();
        let late = beside.pop().unwrap();
        drop(places);
        let places = [turns.enter("a").unwrap()];
        assert!(turns.enter("a").is_none(), "two have theirs, and this is the third");
        drop(first);
        drop(second.await);
        drop(late.turn().await);
        drop(beside);
        drop(places);
        assert!(turns.0.lines.lock().unwrap().is_empty());
    }
}
