//! The commands. Each is a file: what it takes, and one function that does it.
//!
//! Nothing is decided here that the floors below could decide; a command reads, asks, and prints.

mod again;
mod amend;
mod armed;
mod assemble;
mod backup;
mod board;
mod bounce;
mod cancel;
mod checkin;
mod client;
mod clock;
mod close;
mod conditions;
mod demo;
mod doctor;
mod drill;
mod exit;
mod extend;
mod file;
mod files;
mod handed;
mod key;
mod lock;
mod log;
mod moved;
mod own;
mod plan_file;
mod print;
mod purge;
mod release;
mod restore;
mod review;
mod reviewed;
mod serve;
mod shoreline;
mod stops;
mod systemd;
mod undumped;
mod verify;

use std::future::Future;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use tokio::runtime::{Builder, Runtime};

use exit::{Done, Exit, Failure};

/// Watches filed float plans and tells the people ashore when a crew is overdue. It is no rescue
/// service: it calls nobody, and it can fail.
#[derive(Debug, Parser)]
#[command(name = "shorelamp", version, propagate_version = true, arg_required_else_help = true)]
struct Cli {
    /// The settings file; relative paths in it start from its folder
    #[arg(long, global = true, value_name = "FILE", default_value = "config/shorelamp.toml")]
    config: PathBuf,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Serve(serve::Serve),
    Review(review::Review),
    File(file::File),
    Checkin(checkin::Checkin),
    Extend(extend::Extend),
    Cancel(cancel::Cancel),
    Amend(amend::Amend),
    Close(close::Close),
    Again(again::Again),
    Drill(drill::Drill),
    Board(board::Board),
    Bounce(bounce::Bounce),
    #[command(subcommand)]
    Conditions(conditions::Conditions),
    #[command(subcommand)]
    Key(key::Key),
    #[command(subcommand)]
    Shoreline(shoreline::Shoreline),
    Demo(demo::Demo),
    Doctor(doctor::Doctor),
    Export(own::Export),
    Erase(own::Erase),
    Purge(purge::Purge),
    Backup(backup::Backup),
    Restore(restore::Restore),
    Reviewed(reviewed::Reviewed),
    Verify(verify::Verify),
    Release(release::Release),
    #[command(subcommand)]
    Clock(clock::Clock),
}

/// Runs the command typed, and answers with its exit code (`sysexits.h`).
#[must_use]
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(asked) => return not_a_command(&asked),
    };
    match cli.command.run(&cli.config) {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            print::complain(&failure);
            ExitCode::from(failure.exit as u8)
        }
    }
}

/// Prints help or the version where they were asked for, else what is wrong with the command line.
fn not_a_command(asked: &clap::Error) -> ExitCode {
    let _ = asked.print();
    if asked.use_stderr() { ExitCode::from(Exit::Usage as u8) } else { ExitCode::SUCCESS }
}

impl Command {
    fn run(self, config: &Path) -> Done {
        let alone = || runtime(&mut Builder::new_current_thread());
        match self {
            Command::Serve(command) => {
                let handed = handed::over();
                // Pages on threads of their own: whatever is asked of them, it takes none from alerts.
                let pages = workers()?;
                let served = command.run(config, handed, pages.handle());
                let done = finish(workers()?, served);
                pages.shutdown_background();
                done
            }
            Command::Review(command) => finish(alone()?, command.run(config)),
            Command::File(command) => finish(alone()?, command.run(config)),
            Command::Checkin(command) => finish(alone()?, command.run(config)),
            Command::Extend(command) => finish(alone()?, command.run(config)),
            Command::Cancel(command) => finish(alone()?, command.run(config)),
            Command::Amend(command) => finish(alone()?, command.run(config)),
            Command::Close(command) => finish(alone()?, command.run(config)),
            Command::Again(command) => finish(alone()?, command.run(config)),
            Command::Drill(command) => finish(alone()?, command.run(config)),
            Command::Bounce(command) => finish(alone()?, command.run(config)),
            Command::Board(command) => finish(alone()?, command.run(config)),
            Command::Conditions(command) => finish(alone()?, command.run(config)),
            Command::Key(command) => finish(alone()?, command.run(config)),
            Command::Shoreline(command) => finish(alone()?, command.run()),
            Command::Demo(command) => finish(workers()?, command.run()),
            Command::Doctor(command) => finish(alone()?, command.run(config)),
            Command::Export(command) => finish(alone()?, command.run(config)),
            Command::Erase(command) => finish(alone()?, command.run(config)),
            Command::Purge(command) => finish(alone()?, command.run(config)),
            Command::Backup(command) => finish(alone()?, command.run(config)),
            Command::Restore(command) => finish(alone()?, command.run(config)),
            Command::Reviewed(command) => finish(alone()?, command.run(config)),
            Command::Verify(command) => finish(alone()?, command.run(config)),
            Command::Release(command) => finish(alone()?, command.run(config)),
            Command::Clock(command) => finish(alone()?, command.run(config)),
        }
    }
}

/// Two threads at work: one that is held up must not keep an alert from going out.
fn workers() -> Done<Runtime> {
    runtime(Builder::new_multi_thread().worker_threads(2))
}

fn runtime(builder: &mut Builder) -> Done<Runtime> {
    builder
        .enable_all()
        .build()
        .map_err(|error| Failure::new(Exit::Software, format!("this can't start: {error}")))
}

/// Runs a command to its end. What it left running in the background is not waited for.
fn finish(runtime: Runtime, command: impl Future<Output = Done>) -> Done {
    let done = runtime.block_on(command);
    runtime.shutdown_background();
    done
}
