//! The database as any other program would open it.

use std::path::Path;

use sqlx::Connection;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection};

/// A connection as any other program would open it.
pub async fn other(folder: &Path) -> SqliteConnection {
    let options = SqliteConnectOptions::new().filename(folder.join("shorelamp.db"));
    SqliteConnection::connect_with(&options).await.expect("connected")
}

/// Runs these statements there.
pub async fn run(folder: &Path, text: &'static str) {
    let mut connection = other(folder).await;
    sqlx::raw_sql(text).execute(&mut connection).await.expect(text);
    connection.close().await.expect("closed");
}
