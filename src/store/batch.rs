//! Several statements said to the database at once. Each word to it is a walk to its thread and
//! back, which costs the one writer more than most statements do.

use sqlx::AnyConnection;

use super::{StoreError, list};

/// Statements with their values, numbered through.
#[derive(Default)]
pub(super) struct Batch {
    text: String,
    values: Vec<Value>,
}

/// A value of a statement.
pub(super) enum Value {
    Number(Option<i64>),
    Text(Option<String>),
}

impl Batch {
    /// Adds a statement with rows of values between its two parts: `($1, $2), ($3, $4)`. Without rows
    /// there is nothing to say.
    pub(super) fn add<const COLUMNS: usize>(
        &mut self,
        before: &str,
        rows: impl IntoIterator<Item = [Value; COLUMNS]>,
        after: &str,
    ) {
        let (from, mut places) = (self.values.len() + 1, Vec::new());
        for row in rows {
            places.push(format!("({})", list(from + places.len() * COLUMNS, COLUMNS)));
            self.values.extend(row);
        }
        if !places.is_empty() {
            self.text.push_str(&format!("{before} {} {after};\n", places.join(", ")));
        }
    }

    /// Says them all.
    pub(super) async fn execute(self, connection: &mut AnyConnection) -> Result<(), StoreError> {
        if self.text.is_empty() {
            return Ok(());
        }
        let mut query = sqlx::query(sqlx::AssertSqlSafe(self.text));
        for value in self.values {
            query = match value {
                Value::Number(number) => query.bind(number),
                Value::Text(text) => query.bind(text),
            };
        }
        query.execute(connection).await?;
        Ok(())
    }
}

impl From<i64> for Value {
    fn from(number: i64) -> Self {
        Value::Number(Some(number))
    }
}

impl From<Option<i64>> for Value {
    fn from(number: Option<i64>) -> Self {
        Value::Number(number)
    }
}

impl From<&str> for Value {
    fn from(text: &str) -> Self {
        Value::Text(Some(text.to_owned()))
    }
}

impl From<String> for Value {
    fn from(text: String) -> Self {
        Value::Text(Some(text))
    }
}

impl From<Option<&str>> for Value {
    fn from(text: Option<&str>) -> Self {
        Value::Text(text.map(str::to_owned))
    }
}
