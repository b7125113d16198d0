//! What a database that is given up for a backup of it still has a say in: whom it let in no more, who
//! wanted no letters, what it had forgotten or thrown away, and where its other copies lie. A backup
//! knows of none of that since it was made.

use std::path::Path;

use sqlx::{AnyConnection, Connection, Executor, Row};

use super::StoreError;
use super::backup::has_table;
use super::forget::forget_open;
use super::writer::escaped;

/// What can be carried over as a whole, table by table; a backup of an older schema lacks some.
const STATEMENTS: [(&str, &str); 7] = [
    (
        "keys",
        "UPDATE keys SET revoked_at = (SELECT revoked_at FROM old.keys AS known \
         WHERE known.id = keys.id) WHERE revoked_at IS NULL",
    ),
    (
        "usual_trips",
        "DELETE FROM usual_trips WHERE key_id IN (SELECT id FROM keys WHERE revoked_at IS NOT NULL)",
    ),
    // Only where this is the very database of which it is a backup: else it would know of none.
    (
        "usual_trips",
        "DELETE FROM usual_trips WHERE NOT EXISTS (SELECT 1 FROM old.usual_trips AS kept \
         WHERE kept.key_id = usual_trips.key_id AND kept.name = usual_trips.name) \
         AND (SELECT value FROM meta WHERE name = 'id') = \
         (SELECT value FROM old.meta WHERE name = 'id')",
    ),
    (
        "thrown_away",
        "INSERT OR IGNORE INTO thrown_away (key_id, idempotency, at) \
         SELECT key_id, idempotency, at FROM old.thrown_away",
    ),
    (
        "never_mailboxes",
        "INSERT OR IGNORE INTO never_mailboxes (mailbox, hash, for_all, at) \
         SELECT mailbox, hash, for_all, at FROM old.never_mailboxes",
    ),
    (
        "forgotten",
        "INSERT OR IGNORE INTO forgotten (plan, forgotten_at) \
         SELECT plan, forgotten_at FROM old.forgotten",
    ),
    // What is forgotten from now on is taken out of them as well.
    ("copies", "INSERT OR IGNORE INTO copies (path, made_at) SELECT path, made_at FROM old.copies"),
];

/// Carries it from the database at `old` into a copy that takes its place. All of it, or nothing and
/// why: what can't be read must not keep a backup from taking its place.
pub(super) async fn carry(copy: &mut AnyConnection, old: &Path) -> Result<(), StoreError> {
    // To be read alone: its log stays beside it, for whoever looks at what happened.
    sqlx::query("ATTACH DATABASE $1 AS old")
        .bind(format!("file:{}?mode=ro", escaped(old)))
        .execute(&mut *copy)
        .await?;
    let carried = carry_attached(copy).await;
    copy.execute("DETACH DATABASE old").await?;
    carried
}

async fn carry_attached(copy: &mut AnyConnection) -> Result<(), StoreError> {
    let mut whole = copy.begin().await?;
    for (table, statement) in STATEMENTS {
        if has_table(&mut whole, table).await? {
            whole.execute(statement).await?;
        }
    }
    let known = sqlx::query("SELECT plan FROM old.forgotten").fetch_all(&mut *whole).await?;
    for row in known {
        forget_open(&mut whole, row.try_get("plan")?).await?;
    }
    whole.commit().await?;
    Ok(())
}
