//! Joins the parts of the service as the settings describe them.

use std::fs;
use std::path::Path;
use std::time::Duration;

use tokio::time::timeout;

use crate::caution::Limits;
use crate::conditions::{Station, Trust};
use crate::daemon::{Clock, Daemon, House, Judge, Secrets, tell_of_failed_start};
use crate::fetch::{Asker, Homes, Questions};
use crate::guarded::guarded_while;
use crate::packs;
use crate::post::Post;
use crate::settings::{Settings, ShorelineFiles};
use crate::shoreline::{Shoreline, Shorelines};
use crate::store::Store;

use super::exit::{Done, Exit, Failure};

/// The limits of cautions, a file of its own beside the settings; without it the built-in ones.
const CAUTIONS: &str = "cautions.toml";
/// A disk that hangs keeps no command from ending; its log stays where it is then.
const LONGEST_CLOSING: Duration = Duration::from_secs(5);

/// Reads the settings file.
pub(super) fn settings(config: &Path) -> Done<Settings> {
    let text = fs::read_to_string(config).map_err(|error| {
        bad(format!(
            "the settings file {} can't be read ({error}); name yours with --config FILE",
            config.display()
        ))
    })?;
    Settings::read(&text, folder_of(config))
        .map_err(|error| bad(format!("{}:\n{error}", config.display())))
}

/// What plans are judged by.
pub(super) fn judge(settings: &Settings, config: &Path) -> Done<Judge> {
    let keeper = settings.service.keeper_email.as_deref().unwrap_or_default();
    let trust = Trust { stale_after: settings.water.stale_after, ..Trust::default() };
    let asker = Asker::new(keeper, Asker::DEADLINE)
        .at(Homes::of(&settings.water.services))
        .keeping_in(&settings.service.data_dir.join("readings"));
    Ok(Judge {
        shores: shorelines(&settings.shoreline)?,
        questions: Questions::of(&settings.water, trust.farthest_m),
        tables: settings.water.expected.clone(),
        asker,
        trust,
        limits: Limits { units: settings.service.units, ..limits(config)? },
        grace: settings.ladder.grace(),
    })
}

/// Works with the service itself, its data folder locked already, and closes its database.
pub(super) async fn with_daemon<T>(
    settings: &Settings,
    config: &Path,
    work: impl AsyncFnOnce(&Daemon) -> Done<T>,
) -> Done<T> {
    with_daemon_over(settings, config, true, work).await
}

/// The same for a command, which may run beside it.
pub(super) async fn with_daemon_beside<T>(
    settings: &Settings,
    config: &Path,
    work: impl AsyncFnOnce(&Daemon) -> Done<T>,
) -> Done<T> {
    with_daemon_over(settings, config, false, work).await
}

async fn with_daemon_over<T>(
    settings: &Settings,
    config: &Path,
    alone: bool,
    work: impl AsyncFnOnce(&Daemon) -> Done<T>,
) -> Done<T> {
    let judge = judge(settings, config)?;
    let post = Post::new(&settings.mail).map_err(bad)?;
    let data_dir = &settings.service.data_dir;
    let secrets =
        Secrets::open_or_renew(data_dir).map_err(|error| Failure::new(Exit::Io, error))?;
    let house = house(settings);
    let store = match store_as(data_dir, alone).await {
        Ok(store) => store,
        Err(failure) => {
            tell_of_failed_start(&house, &post, data_dir, &failure.to_string()).await;
            return Err(failure);
        }
    };
    closing(store, async move |store| {
        let last_alive = store.last_alive().await.map_err(|error| Failure::new(Exit::Io, error))?;
        // What can't be read was not known.
        let known = store.known_of_clock().await.unwrap_or_default();
        let clock = Clock::of_the_machine(last_alive, known.as_deref());
        work(&Daemon::new(house, store.clone(), post, secrets, judge, clock)).await
    })
    .await
}

/// Works with the database, and closes it whatever comes of that. The log of one that was merely
/// dropped is folded and gone, the mark that it was open stays: the next start would take changes for
/// lost, and hold every alert for ten minutes. So nobody else here is handed a store.
async fn closing<T>(store: Store, work: impl AsyncFnOnce(&Store) -> Done<T>) -> Done<T> {
    let done = guarded_while(work(&store)).await;
    if timeout(LONGEST_CLOSING, store.close()).await.is_err() {
        tracing::warn!("the database does not close; its log is read by the next start");
    }
    done.unwrap_or_else(|_| {
        let words = "the program has a fault, and this ended in the middle";
        Err(Failure::new(Exit::Software, words))
    })
}

/// Works with the database, and closes it.
pub(super) async fn with_store<T>(
    data_dir: &Path,
    work: impl AsyncFnOnce(&Store) -> Done<T>,
) -> Done<T> {
    closing(store_as(data_dir, false).await?, work).await
}

async fn store_as(data_dir: &Path, alone: bool) -> Done<Store> {
    // Made before the database: one without the other is a loss, not a start.
    Secrets::open(data_dir).map_err(|error| Failure::new(Exit::Io, error))?;
    let opened = match alone {
        true => Store::open_alone(data_dir).await,
        false => Store::open(data_dir).await,
    };
    opened.map_err(|error| {
        let words = format!("the database in {} can't be opened: {error}", data_dir.display());
        Failure::new(Exit::Io, words)
    })
}

/// The same, for a command that makes none.
pub(super) async fn with_store_that_is_there<T>(
    data_dir: &Path,
    work: impl AsyncFnOnce(&Store) -> Done<T>,
) -> Done<T> {
    if !data_dir.join("shorelamp.db").exists() && !data_dir.join("database-id").exists() {
        let words = format!(
            "there is no database in {} yet: `shorelamp serve` makes it. Does --config name the \
             settings that the service runs with?",
            data_dir.display()
        );
        return Err(Failure::new(Exit::NoInput, words));
    }
    with_store(data_dir, work).await
}

/// The shoreline's files, all of them: a service that quietly lacks one would know less than its
/// keeper believes.
pub(super) fn shorelines(settings: &ShorelineFiles) -> Done<Shorelines> {
    let read: Done<Vec<_>> =
        settings.files.iter().map(|file| shoreline(file, settings.accuracy_m)).collect();
    Ok(Shorelines::new(read?))
}

/// One of the shoreline's files, a pack or GeoJSON.
pub(super) fn shoreline(file: &Path, accuracy_m: f64) -> Done<Shoreline> {
    packs::open(file, accuracy_m).map_err(|why| {
        bad(format!(
            "{why}. Mend `files` under [shoreline]; without any file, every distance from shore is \
             unknown"
        ))
    })
}

/// The stations that are asked in any case.
pub(super) fn stations(settings: &Settings) -> Vec<Station> {
    Questions::of(&settings.water, Trust::default().farthest_m).stations
}

fn limits(config: &Path) -> Done<Limits> {
    let file = folder_of(config).join(CAUTIONS);
    if !file.exists() {
        return Ok(Limits::default());
    }
    let text = fs::read_to_string(&file)
        .map_err(|error| bad(format!("{} can't be read: {error}", file.display())))?;
    Limits::read(&text).map_err(|error| bad(format!("{}:\n{error}", file.display())))
}

fn house(settings: &Settings) -> House {
    House {
        name: settings.service.name.clone(),
        base_url: settings.service.base_url.clone(),
        keeper_email: settings.service.keeper_email.clone(),
        from: settings.mail.from.clone(),
        rescues: settings.rescues.clone(),
        ladder: settings.ladder.clone(),
        limits: settings.limits,
        retention: settings.retention,
        security_contact: settings.service.security_contact.clone(),
    }
}

fn folder_of(file: &Path) -> &Path {
    file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn bad(words: impl std::fmt::Display) -> Failure {
    Failure::new(Exit::BadSettings, words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_fault_of_the_program_leaves_no_database_open() {
        let folder = tempfile::tempdir().unwrap();
        let work = async |store: &Store| -> Done {
            assert!(store.open_plans().await.is_err(), "as it was told to");
            Ok(())
        };
        let failed = with_store(folder.path(), work).await.unwrap_err();
        assert_eq!(failed.exit, Exit::Software);
        assert!(!folder.path().join("open").exists());
    }
}
