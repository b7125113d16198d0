//! No core dump ever holds a plan, or the service's secret.

use rustix::process::{DumpableBehavior, Resource, Rlimit, set_dumpable_behavior, setrlimit};

/// Neither a file nor a program that collects dumps gets one of this process. Where that can't be
/// had, the service runs all the same.
pub(super) fn leave_no_dump() {
    let none = Rlimit { current: Some(0), maximum: Some(0) };
    let limited = setrlimit(Resource::Core, none);
    // The limit does not bind a program to which the kernel pipes dumps (core(5)); this does.
    let closed = set_dumpable_behavior(DumpableBehavior::NotDumpable);
    if let Some(error) = limited.err().or(closed.err()) {
        tracing::warn!(%error, "if this process dies of a fault, a dump of it may hold plans");
    }
}
