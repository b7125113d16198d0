//! Room for answers that are made and not yet read. Whoever asks for very many and reads none must
//! neither fill the memory nor keep others from their pages.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::body::{Body, Bytes};
use axum::http::{HeaderValue, header};
use axum::response::Response;
use futures_util::stream;

/// An answer up to this size waits for its reader in any case: a page of an ordinary trip, packed.
const SMALL_BYTES: usize = 16 * 1024;
/// What all others may have together: a hundred of the longest page, packed.
const MOST_BYTES: usize = 15 * 1024 * 1024;
/// And those about one key's plans: thirty of them, for all whom a plan names.
const MOST_OF_KEY: usize = 5 * 1024 * 1024;
/// In such pieces it is handed to the connection, which holds a piece until it is sent.
const PIECE_BYTES: usize = 16 * 1024;

/// How much waits to be read, by the key whose plans it is about.
#[derive(Clone, Default)]
pub(super) struct Unread(Arc<Mutex<BTreeMap<String, usize>>>);

/// One answer that waits, until it is dropped.
struct Waits {
    among: Unread,
    key_id: String,
    bytes: Bytes,
}

impl AsRef<[u8]> for Waits {
    fn as_ref(&self) -> &[u8] {
        &self.bytes
    }
}

impl Drop for Waits {
    fn drop(&mut self) {
        let mut all = self.among.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = all.get_mut(&self.key_id) {
            *own -= self.bytes.len();
            if *own == 0 {
                all.remove(&self.key_id);
            }
        }
    }
}

impl Unread {
    /// This text as it waits to be read; `None` where there is no room for it.
    fn hold(&self, key_id: &str, bytes: Bytes) -> Option<Bytes> {
        if bytes.len() <= SMALL_BYTES {
            return Some(bytes);
        }
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let own = all.get(key_id).copied().unwrap_or(0) + bytes.len();
        if own > MOST_OF_KEY || all.values().sum::<usize>() + bytes.len() > MOST_BYTES {
            return None;
        }
        all.insert(key_id.to_owned(), own);
        Some(Bytes::from_owner(Waits { among: self.clone(), key_id: key_id.to_owned(), bytes }))
    }

    /// This answer with its text, which counts until the last of it is sent; `None` as above.
    pub(super) fn answer(&self, key_id: &str, answer: Response, bytes: Bytes) -> Option<Response> {
        let length = bytes.len();
        let held = self.hold(key_id, bytes)?;
        if length <= PIECE_BYTES {
            return Some(answer.map(|_| Body::from(held)));
        }
        let pieces = stream::unfold(held, |mut rest| async move {
            let piece = rest.split_to(rest.len().min(PIECE_BYTES));
            (!piece.is_empty()).then_some((Ok::<_, std::convert::Infallible>(piece), rest))
        });
        let mut answer = answer.map(|_| Body::from_stream(pieces));
        answer.headers_mut().insert(header::CONTENT_LENGTH, HeaderValue::from(length));
        Some(answer)
    }
}

#[cfg(test)]
mod tests {
    use http_body_util::BodyExt;

    use super::*;

    fn text(bytes: usize) -> Bytes {
        Bytes::from(vec![b'x'; bytes])
    }

    #[test]
    fn what_nobody_reads_is_bounded_and_keeps_no_other_key_out() {
        let unread = Unread::default();
        let of = |key: &str| -> Vec<Bytes> {
            std::iter::from_fn(|| unread.hold(key, text(140_000))).take(450).collect()
        };
        let greedy = of("greedy");
        assert_eq!(greedy.len(), MOST_OF_KEY / 140_000);
        assert!(unread.hold("club", text(2_000_000)).is_some(), "given back at once");
        assert!(
            unread.hold("greedy", text(SMALL_BYTES)).is_some(),
            "a small one is read in any case"
        );
        let others = (of("a"), of("b"), of("c"));
        assert!(others.2.len() < greedy.len(), "that is all there is");
        drop((greedy, others));
        assert!(unread.0.lock().unwrap().is_empty());
    }

    #[tokio::test]
    async fn a_long_answer_comes_whole_and_counts_until_it_is_sent() {
        let unread = Unread::default();
        let long: Vec<u8> = (0..100_001_u32).map(|at| at.to_le_bytes()[0]).collect();
        let answer = unread.answer("key", Response::default(), long.clone().into()).unwrap();
        assert_eq!(answer.headers()[header::CONTENT_LENGTH], "100001");
        let mut body = answer.into_body();
        let mut come = Vec::new();
        while let Some(piece) = body.frame().await {
            assert_eq!(unread.0.lock().unwrap()["key"], 100_001);
            come.extend_from_slice(piece.unwrap().data_ref().unwrap());
        }
        assert!(come == long);
        drop(body);
        assert!(unread.0.lock().unwrap().is_empty());
    }
}
