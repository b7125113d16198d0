//! `serve`: runs the service.

use std::future::Future;
use std::net::SocketAddr;
use std::path::Path;
use std::time::Duration;

use clap::Args;
use listenfd::ListenFd;
use tokio::net::TcpListener;
use tokio::runtime::Handle;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use super::exit::{Done, Exit, Failure};
use super::stops::Stops;
use super::{assemble, files, handed, lock, log, print, systemd, undumped};
use crate::daemon::{Daemon, Left};
use crate::guarded::end_with_other_panics;
use crate::settings::{Settings, Tls};
use crate::web;

/// How often a port that somebody else has is tried again.
const BETWEEN_TRIES: Duration = Duration::from_secs(2);
/// Longer than an attempt at handing over a letter may take.
const LONGEST_FAREWELL: Duration = Duration::from_secs(75);

/// Run the service: take filings, watch the clock, write to the people ashore
#[derive(Debug, Args)]
pub(super) struct Serve {}

impl Serve {
    /// `handed`: what systemd has handed over. `pages`: the threads that the pages are served by.
    pub(super) async fn run(self, config: &Path, handed: ListenFd, pages: &Handle) -> Done {
        let _log = log::begin();
        undumped::leave_no_dump();
        end_with_other_panics();
        let few_files = files::open_enough();
        let settings = assemble::settings(config)?;
        let _lock = lock::take(&settings.service.data_dir)?;
        assemble::with_daemon(&settings, config, async |daemon| {
            if let Some(few) = few_files {
                daemon.tell_of_few_files(few);
            }
            keep_watch(daemon, &settings, handed, pages).await
        })
        .await
    }
}

/// Until it is told to stop, or a part of it ends by itself.
async fn keep_watch(
    daemon: &Daemon,
    settings: &Settings,
    handed: ListenFd,
    pages: &Handle,
) -> Done {
    let listener = match take_port(daemon, handed, settings.service.listen).await {
        Ok(listener) => Some(listener),
        // Any port above 1023 can be taken by anybody on the machine, between two lives of the
        // service: that must not keep the alerts of those who are out.
        Err(failure) if watches_somebody(daemon).await => {
            daemon.tell_of_no_pages(&failure.to_string());
            None
        }
        // Nobody is out. Whoever has the port is handed keys and plans: the keeper must hear of it.
        Err(failure) => {
            let is_taken = failure.exit == Exit::Unavailable;
            daemon.tell_of_no_port(&failure.to_string(), is_taken).await;
            return Err(failure);
        }
    };
    let mut stops = Stops::new()?;
    // Where it can't be said, whoever is out is watched all the same.
    print::announce(greeting(settings, listener.as_ref()));
    let stop = CancellationToken::new();
    let mut tasks = start(daemon, settings, listener, pages, &stop);
    tokio::select! {
        ended = tasks.join_next() => return Err(died(ended)),
        () = stops.next() => {}
    }
    tokio::select! {
        () = warn_of_open_plans(daemon) => {}
        () = stops.next() => tracing::warn!("told to stop twice; nobody is told of open plans"),
    }
    stop.cancel();
    let farewell = async { while tasks.join_next().await.is_some() {} };
    tokio::select! {
        () = farewell => {}
        () = stops.next() => tracing::warn!("told to stop twice; what was under way is left"),
        () = tokio::time::sleep(LONGEST_FAREWELL) => {
            tracing::warn!("a letter hangs; it goes again at the next start");
        }
    }
    Ok(())
}

/// The port: systemd's socket where it hands one over, else one of our own.
async fn take_port(daemon: &Daemon, handed: ListenFd, at: SocketAddr) -> Done<TcpListener> {
    let Some(listener) = handed::listener(handed)? else { return listen(at).await };
    match listener.local_addr() {
        Ok(held) if !handed::is_where(held, at) => daemon.tell_of_another_port(held, at),
        _ => tracing::info!("systemd holds the port"),
    }
    TcpListener::from_std(listener).map_err(|error| Failure::new(Exit::Unavailable, error))
}

async fn listen(at: SocketAddr) -> Done<TcpListener> {
    TcpListener::bind(at).await.map_err(|error| {
        let words = format!(
            "nobody can listen at {at}: {error}. Stop what listens there, or change `listen` under \
             [service]"
        );
        Failure::new(Exit::Unavailable, words)
    })
}

/// Whether a plan is open. In doubt one is.
async fn watches_somebody(daemon: &Daemon) -> bool {
    let counted = daemon.store().count_open(daemon.now(), "").await;
    counted.map_or(true, |plans| plans.open > 0)
}

fn greeting(settings: &Settings, listener: Option<&TcpListener>) -> String {
    let own = listener.and_then(|listener| listener.local_addr().ok());
    let at = own.unwrap_or(settings.service.listen);
    let listens = if listener.is_some() { "listens" } else { "CAN'T YET LISTEN" };
    let relays: Vec<_> = settings.mail.relays.iter().map(ToString::to_string).collect();
    let letters = match relays.is_empty() {
        true => format!("into {}, and reach nobody by themselves", settings.mail.folder.display()),
        false => format!("through {}", relays.join(", then ")),
    };
    let base_url = &settings.service.base_url;
    format!("Shorelamp {listens} at {at}, its pages are at {base_url}; letters go {letters}")
}

/// The watch with the post, the pages, and what shows others that all of it works.
fn start(
    daemon: &Daemon,
    settings: &Settings,
    listener: Option<TcpListener>,
    pages: &Handle,
    stop: &CancellationToken,
) -> JoinSet<Result<(), String>> {
    let mut tasks = JoinSet::new();
    let (watch, watch_stop) = (daemon.clone(), stop.clone());
    tasks.spawn(async move { watch.run(watch_stop).await.map_err(|error| error.to_string()) });
    let (tls, at) = (settings.service.tls.clone(), settings.service.listen);
    let (pages_of, pages_stop) = (daemon.for_pages(), stop.clone());
    let served = async move {
        let listener = match listener {
            Some(listener) => Some(listener),
            None => listen_in_the_end(&pages_of, at, &pages_stop).await,
        };
        match listener {
            Some(listener) => serve_pages(pages_of, tls, listener, pages_stop).await,
            None => Ok(()),
        }
    };
    tasks.spawn_on(served, pages);
    tasks.spawn(without_end(systemd::keep_informed(daemon.clone(), stop.clone())));
    if let Some(heartbeat) = settings.service.heartbeat.clone() {
        tasks.spawn(without_end(daemon.clone().beat(heartbeat, stop.clone())));
    }
    if let Some(canary) = settings.service.canary.clone() {
        tasks.spawn(without_end(daemon.clone().sing(canary, stop.clone())));
    }
    tasks
}

/// The port, once whoever has it lets go of it; `None` if it is told to stop first.
async fn listen_in_the_end(
    daemon: &Daemon,
    at: SocketAddr,
    stop: &CancellationToken,
) -> Option<TcpListener> {
    loop {
        tokio::select! {
            () = stop.cancelled() => return None,
            () = tokio::time::sleep(BETWEEN_TRIES) => {}
        }
        match listen(at).await {
            Ok(listener) => return Some(listener),
            Err(failure) => daemon.tell_of_no_pages(&failure.to_string()),
        }
    }
}

/// The pages, over TLS where the settings name a certificate.
async fn serve_pages(
    daemon: Daemon,
    tls: Option<Tls>,
    listener: TcpListener,
    stop: CancellationToken,
) -> Result<(), String> {
    let router = web::router(daemon.clone());
    let served = match tls {
        None => web::serve(listener, router, stop).await,
        Some(tls) => {
            let certificate = web::Certificate::kept_up(tls, daemon, stop.clone());
            web::serve_tls(listener, router, certificate, stop).await
        }
    };
    served.map_err(|error| error.to_string())
}

/// A part that can't fail.
async fn without_end(part: impl Future<Output = ()>) -> Result<(), String> {
    part.await;
    Ok(())
}

/// A part of the service that ended although nobody told it to. What is left of it would only look
/// alive, so the process ends with it and whoever supervises it starts it again.
fn died(ended: Option<Result<Result<(), String>, tokio::task::JoinError>>) -> Failure {
    let why = match ended {
        Some(Ok(Err(why))) => why,
        Some(Err(error)) => error.to_string(),
        Some(Ok(Ok(()))) | None => "a part of it ended".to_owned(),
    };
    let words = format!("the service has stopped by itself and NOBODY WATCHES any more: {why}");
    Failure::new(Exit::Software, words)
}

async fn warn_of_open_plans(daemon: &Daemon) {
    match daemon.say_farewell().await {
        Ok(Left { plans: 0, .. }) => tracing::info!("the service stops; no plan is open"),
        Ok(Left { plans, next_at }) => {
            let next_at = next_at.map(|at| at.to_rfc3339()).unwrap_or_default();
            tracing::warn!(
                plans,
                next_at,
                "the service stops, and NOBODY WATCHES THE OPEN PLANS ({plans}) until it is \
                 started again"
            );
        }
        Err(error) => tracing::warn!(
            %error,
            "the service stops, and can't tell how many plans nobody watches from now on"
        ),
    }
}
