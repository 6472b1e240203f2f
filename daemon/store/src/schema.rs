//! The numbered schema migrations and the marks by which a database file is known as ours.

use std::path::Path;

use rusqlite::Connection;

use crate::StoreError;
use crate::error::Doing;

/// Migration N brings a database from schema N - 1 to N; a released one is never edited.
const MIGRATIONS: &[&str] = &[
    include_str!("../migrations/0001_first.sql"),
    include_str!("../migrations/0002_statements_by_kind.sql"),
];

/// "tarp" in ASCII, written into the file's header so that a stranger's database is refused.
const APPLICATION_ID: i64 = 0x7461_7270;

/// What a database file turned out to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Found {
    Empty,
    Schema(i64),
}

/// Brings the database up to the newest schema, inside the caller's transaction.
pub(crate) fn migrate(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    apply(connection, path, MIGRATIONS)
}

/// Refuses a database that this version cannot read as it stands.
pub(crate) fn require_current(connection: &Connection, path: &Path) -> Result<(), StoreError> {
    let known = newest(MIGRATIONS);
    match examine(connection, path, known)? {
        Found::Schema(found) if found == known => Ok(()),
        Found::Schema(found) => Err(StoreError::OlderSchema {
            path: path.to_owned(),
            found,
            known,
        }),
        Found::Empty => Err(StoreError::NotOurs {
            path: path.to_owned(),
        }),
    }
}

fn newest(migrations: &[&str]) -> i64 {
    i64::try_from(migrations.len()).expect("a handful of migrations fits any integer")
}

fn apply(connection: &Connection, path: &Path, migrations: &[&str]) -> Result<(), StoreError> {
    let reached = match examine(connection, path, newest(migrations))? {
        Found::Empty => 0,
        Found::Schema(found) => found,
    };
    for (number, sql) in (1_i64..).zip(migrations) {
        if number > reached {
            connection
                .execute_batch(sql)
                .doing("bringing its schema up to date")?;
            connection
                .pragma_update(None, "user_version", number)
                .doing("noting its schema")?;
        }
    }
    if reached == 0 {
        connection
            .pragma_update(None, "application_id", APPLICATION_ID)
            .doing("marking it as ours")?;
    }
    Ok(())
}

fn examine(connection: &Connection, path: &Path, known: i64) -> Result<Found, StoreError> {
    let pragma = |name: &str| connection.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let application_id = match pragma("application_id") {
        Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::NotADatabase) => {
            return Err(StoreError::NotOurs {
                path: path.to_owned(),
            });
        }
        other => other.doing("reading whose it is")?,
    };
    let found = pragma("user_version").doing("reading its schema")?;
    if application_id == APPLICATION_ID {
        return if found > known {
            Err(StoreError::NewerSchema {
                path: path.to_owned(),
                found,
                known,
            })
        } else {
            Ok(Found::Schema(found))
        };
    }
    let table_count: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .doing("listing its tables")?;
    if application_id == 0 && found == 0 && table_count == 0 {
        Ok(Found::Empty)
    } else {
        Err(StoreError::NotOurs {
            path: path.to_owned(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn version(connection: &Connection) -> i64 {
        connection
            .pragma_query_value(None, "user_version", |row| row.get(0))
            .expect("user_version reads")
    }

    #[test]
    fn an_older_schema_gets_only_the_migrations_it_lacks() {
        let connection = Connection::open_in_memory().expect("in-memory database");
        let path = Path::new("x");
        let first = "CREATE TABLE a (x INTEGER) STRICT;";
        let second = "CREATE TABLE b (x INTEGER) STRICT;";
        apply(&connection, path, &[first]).expect("first");
        assert_eq!(version(&connection), 1);
        apply(&connection, path, &[first, second]).expect("second only: a second `a` would fail");
        assert_eq!(version(&connection), 2);
        apply(&connection, path, &[first, second]).expect("nothing to do");
        let refused = apply(&connection, path, &[first]).expect_err("schema 2 is newer than 1");
        assert!(
            matches!(
                refused,
                StoreError::NewerSchema {
                    found: 2,
                    known: 1,
                    ..
                }
            ),
            "{refused}"
        );
    }

    #[test]
    fn a_failed_migration_leaves_the_schema_as_it_was() {
        let mut connection = Connection::open_in_memory().expect("in-memory database");
        let path = Path::new("x");
        let first = "CREATE TABLE a (x INTEGER) STRICT;";
        apply(&connection, path, &[first]).expect("first");
        let transaction = connection.transaction().expect("begin");
        let broken = "CREATE TABLE b (x INTEGER) STRICT; CREATE TABLE a (x INTEGER) STRICT;";
        apply(&transaction, path, &[first, broken]).expect_err("table `a` exists");
        drop(transaction);
        assert_eq!(version(&connection), 1);
        let table_count: i64 = connection
            .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
            .expect("count");
        assert_eq!(table_count, 1);
    }

    #[test]
    fn a_database_with_strange_tables_is_not_ours() {
        let connection = Connection::open_in_memory().expect("in-memory database");
        connection
            .execute_batch("CREATE TABLE other (x)")
            .expect("create");
        let refused = migrate(&connection, Path::new("x")).expect_err("a stranger's");
        assert!(matches!(refused, StoreError::NotOurs { .. }), "{refused}");
    }
}
