//! The port as systemd hands it over (`deploy/shorelamp.socket`). It is held from early boot on and
//! between two lives of the service, so that nobody else on the machine can take it and be handed what
//! people send.

use std::net::{SocketAddr, TcpListener};

use listenfd::ListenFd;
use socket2::SockRef;

use super::exit::{Done, Exit, Failure};

/// What was handed over. The environment loses it by that, so no other thread may run yet.
pub(super) fn over() -> ListenFd {
    ListenFd::from_env()
}

/// The one that listens; `None` where nothing was handed over.
pub(super) fn listener(mut handed: ListenFd) -> Done<Option<TcpListener>> {
    match handed.len() {
        0 => return Ok(None),
        1 => {}
        many => return Err(wrong(format!("systemd hands over {many} sockets instead of one"))),
    }
    let taken = handed
        .take_tcp_listener(0)
        .map_err(|error| wrong(format!("systemd hands over something else than TCP: {error}")))?;
    let Some(listener) = taken else { return Ok(None) };
    if !SockRef::from(&listener).is_listener().unwrap_or(false) {
        return Err(wrong("systemd hands over a TCP socket that does not listen".to_owned()));
    }
    listener.set_nonblocking(true).map_err(|error| {
        wrong(format!("the socket that systemd hands over is of no use: {error}"))
    })?;
    Ok(Some(listener))
}

/// Whether whoever asks where the settings say is answered by a listener there.
pub(super) fn is_where(held: SocketAddr, wanted: SocketAddr) -> bool {
    let everywhere = held.ip().is_unspecified() && wanted.ip().is_unspecified();
    held.port() == wanted.port() && (held.ip() == wanted.ip() || everywhere)
}

fn wrong(what: String) -> Failure {
    let words = format!(
        "{what}. Write one ListenStream= in shorelamp.socket, with the address and port of `listen` under \
         [service], and no Accept=; or disable that unit"
    );
    Failure::new(Exit::BadSettings, words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_socket_is_where_the_settings_say() {
        let at = |text: &str| text.parse().unwrap();
        assert!(is_where(at("127.0.0.1:8040"), at("127.0.0.1:8040")));
        assert!(is_where(at("[::]:443"), at("0.0.0.0:443")));
        assert!(!is_where(at("[::]:8040"), at("127.0.0.1:8040")), "it is open to others");
        assert!(!is_where(at("127.0.0.1:8041"), at("127.0.0.1:8040")));
    }
}
