//! The house's own rules, held by reading its source: the pure floors do no input or output and
//! read no clock, no arrow runs upward, nothing a user can cause ends in a panic, no file is long.
//! The source is cut into tokens, so comments and texts count for nothing; parts for tests alone
//! (`#[cfg(test)]`) are left out.

#![allow(clippy::unwrap_used)]

use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// The floors from the ground up. Those in one row stand side by side, without arrows between.
const FLOORS: [&[&str]; 12] = [
    &["measure"],
    &["plan"],
    &["conditions", "shoreline", "sun"],
    &["caution", "chart", "drift"],
    &["review"],
    &["watch"],
    &["letter"],
    &["settings", "guarded"],
    &["store", "post", "fetch", "packs"],
    &["daemon"],
    &["web"],
    &["cli", "main", "lib"],
];

/// The rows up to `letter` are pure.
const PURE_ROWS: usize = 7;

/// What no pure floor names: other crates' doors to the world, the standard library's, clocks,
/// randomness, and maps whose order differs from run to run.
const IMPURE: [&str; 31] = [
    "tokio",
    "sqlx",
    "reqwest",
    "lettre",
    "axum",
    "tower_http",
    "hyper",
    "rustls",
    "tokio_rustls",
    "getrandom",
    "rand",
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "std::io::stdin",
    "std::io::stdout",
    "std::io::stderr",
    "Utc::now",
    "Local",
    "SystemTime",
    "Instant::now",
    "HashMap",
    "HashSet",
    "RandomState",
    "print!",
    "println!",
    "eprint!",
    "eprintln!",
    "dbg!",
];

/// What no floor names: it ends the daemon, or is a promise instead of work.
const BANNED: [&str; 4] = [".unwrap(", ".expect(", "todo!", "unimplemented!"];

const MOST_LINES: usize = 500;

/// A rule broken.
#[derive(Debug, PartialEq)]
struct Breach {
    file: String,
    line: usize,
    what: String,
}

impl fmt::Display for Breach {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}:{}: {}", self.file, self.line, self.what)
    }
}

/// The rules broken by one file; `file` is its path below `src/`.
fn breaches(file: &str, text: &str) -> Vec<Breach> {
    let breach = |line, what| Breach { file: file.to_owned(), line, what };
    let Ok(tokens) = text.parse::<TokenStream>() else {
        return vec![breach(1, "can't be cut into tokens".to_owned())];
    };
    let module = module_of(file);
    let floor = module.first().map_or("lib", String::as_str);
    let Some(row) = row_of(floor) else {
        return vec![breach(1, format!("`{floor}` has no place in the house; give it one"))];
    };
    let mut found = Vec::new();
    let lines = text.lines().count();
    if lines > MOST_LINES {
        found.push(breach(lines, format!("has {lines} lines; {MOST_LINES} are the most")));
    }
    let mut names = Vec::new();
    collect(tokens, &module, &mut names);
    for name in names {
        let mut told = |what| found.push(breach(name.line, what));
        if BANNED.contains(&name.text.as_str()) {
            told(format!("`{}` must not stand here", name.text));
        }
        if let Some(impure) = IMPURE.iter().find(|impure| names_it(&name.text, impure))
            && row < PURE_ROWS
        {
            told(format!("the pure floor `{floor}` names `{impure}`"));
        }
        if let Some(target) = house_floor(&name.text)
            && target != floor
            && row_of(target).is_some_and(|target_row| target_row >= row)
            && row < FLOORS.len() - 1
        {
            told(format!("an arrow runs upward: `{floor}` names `{target}`"));
        }
    }
    found
}

/// `plan/read.rs` is the module `plan::read`; `plan/mod.rs` is `plan`; `lib.rs` the crate itself.
fn module_of(file: &str) -> Vec<String> {
    let path = file.trim_end_matches(".rs");
    let parts: Vec<_> = path.split('/').map(str::to_owned).collect();
    match parts.last().map(String::as_str) {
        Some("mod") => parts[..parts.len() - 1].to_vec(),
        Some("lib") if parts.len() == 1 => Vec::new(),
        _ => parts,
    }
}

fn row_of(floor: &str) -> Option<usize> {
    FLOORS.iter().position(|row| row.contains(&floor))
}

/// The floor that a path of this crate leads to.
fn house_floor(path: &str) -> Option<&str> {
    let mut parts = path.split("::");
    let root = parts.next()?;
    let floor = parts.next()?;
    matches!(root, "crate" | "shorelamp").then_some(floor).filter(|floor| row_of(floor).is_some())
}

/// Whether a path names `impure`: from its start for what is written from a crate's root, anywhere
/// within it for a type or function.
fn names_it(path: &str, impure: &str) -> bool {
    let rooted = impure.starts_with("std::") || impure.starts_with(char::is_lowercase);
    let continues = |rest: &str| rest.is_empty() || rest.starts_with("::");
    if rooted && !impure.ends_with('!') {
        return path.strip_prefix(impure).is_some_and(continues);
    }
    path == impure
        || path.split("::").enumerate().any(|(at, _)| {
            let tail = path.splitn(at + 1, "::").last().unwrap_or_default();
            tail.strip_prefix(impure).is_some_and(continues)
        })
}

/// A path (`crate::plan::Plan`), a macro (`println!`) or a method called (`.unwrap(`).
#[derive(Debug)]
struct Name {
    text: String,
    line: usize,
}

/// Every name of the tokens, groups included, with `use` trees spelled out and `self` and `super`
/// resolved from `module`.
fn collect(tokens: TokenStream, module: &[String], names: &mut Vec<Name>) {
    let tokens: Vec<TokenTree> = tokens.into_iter().collect();
    let mut at = 0;
    while at < tokens.len() {
        if is_test_attribute(&tokens[at..]) {
            at = after_item(&tokens, at + 2);
            continue;
        }
        match &tokens[at] {
            TokenTree::Ident(word) if *word == "mod" => {
                let inner = nested(module, tokens.get(at + 1));
                if let Some(TokenTree::Group(body)) = tokens.get(at + 2) {
                    collect(body.stream(), &inner, names);
                    at += 3;
                    continue;
                }
                at += 1;
            }
            TokenTree::Ident(_) => at = path(&tokens, at, "", module, names),
            TokenTree::Group(group) => {
                collect(group.stream(), module, names);
                at += 1;
            }
            _ => at += 1,
        }
    }
}

fn nested(module: &[String], name: Option<&TokenTree>) -> Vec<String> {
    module.iter().cloned().chain(name.map(ToString::to_string)).collect()
}

/// `#[cfg(test)]`, or `#[cfg(all(test, …))]`.
fn is_test_attribute(tokens: &[TokenTree]) -> bool {
    let [TokenTree::Punct(hash), TokenTree::Group(attribute), ..] = tokens else { return false };
    let text: String = attribute.stream().to_string().split_whitespace().collect();
    hash.as_char() == '#' && (text == "cfg(test)" || text.starts_with("cfg(all(test,"))
}

/// The place after the item that starts at `at`: after its `;` or its block.
fn after_item(tokens: &[TokenTree], at: usize) -> usize {
    let ends = |token: &TokenTree| match token {
        TokenTree::Punct(mark) => mark.as_char() == ';',
        TokenTree::Group(group) => group.delimiter() == Delimiter::Brace,
        _ => false,
    };
    tokens[at..].iter().position(ends).map_or(tokens.len(), |end| at + end + 1)
}

fn mark(tokens: &[TokenTree], at: usize, mark: char) -> bool {
    matches!(tokens.get(at), Some(TokenTree::Punct(punct)) if punct.as_char() == mark)
}

/// Reads the path that starts at `at`, below `prefix`; answers the place after it.
fn path(
    tokens: &[TokenTree],
    start: usize,
    prefix: &str,
    module: &[String],
    names: &mut Vec<Name>,
) -> usize {
    let line = tokens[start].span().start().line;
    let mut text = prefix.to_owned();
    let mut at = start;
    while let Some(TokenTree::Ident(part)) = tokens.get(at) {
        if !text.is_empty() {
            text.push_str("::");
        }
        text.push_str(&part.to_string());
        at += 1;
        if !(mark(tokens, at, ':') && mark(tokens, at + 1, ':')) {
            break;
        }
        at += 2;
        if let Some(TokenTree::Group(tree)) = tokens.get(at) {
            branches(tree.stream(), &text, module, names);
            return at + 1;
        }
    }
    let called = matches!(tokens.get(at), Some(TokenTree::Group(group))
        if group.delimiter() == Delimiter::Parenthesis);
    if called && start > 0 && mark(tokens, start - 1, '.') {
        text = format!(".{text}(");
    } else if mark(tokens, at, '!') && !mark(tokens, at + 1, '=') {
        text.push('!');
    }
    names.push(Name { text: resolved(&text, module), line });
    at
}

/// The branches of a `use` tree.
fn branches(tree: TokenStream, prefix: &str, module: &[String], names: &mut Vec<Name>) {
    let tokens: Vec<TokenTree> = tree.into_iter().collect();
    let mut at = 0;
    while at < tokens.len() {
        if matches!(&tokens[at], TokenTree::Ident(word) if *word == "as") {
            at += 2;
        } else if matches!(&tokens[at], TokenTree::Ident(_)) {
            at = path(&tokens, at, prefix, module, names);
        } else {
            at += 1;
        }
    }
}

/// The path from the crate's root, where it starts with `self` or `super`.
fn resolved(path: &str, module: &[String]) -> String {
    let mut at = module.len();
    let mut rest = path;
    loop {
        if let Some(inner) = rest.strip_prefix("super::") {
            at = at.saturating_sub(1);
            rest = inner;
        } else if let Some(inner) = rest.strip_prefix("self::") {
            rest = inner;
        } else {
            break;
        }
    }
    if rest.len() == path.len() {
        return path.to_owned();
    }
    let above: String = module[..at].iter().map(|part| format!("{part}::")).collect();
    format!("crate::{above}{rest}")
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let mut found: Vec<PathBuf> = entries
        .flat_map(|path| if path.is_dir() { sources(&path) } else { vec![path] })
        .filter(|path| path.extension().is_some_and(|ending| ending == "rs"))
        .collect();
    found.sort();
    found
}

#[test]
fn the_house_keeps_its_rules() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let files = sources(&src);
    assert!(files.len() > 10, "only {} files found", files.len());
    let broken: Vec<String> = files
        .iter()
        .filter(|path| !is_for_tests_alone(path))
        .flat_map(|path| {
            let file = path.strip_prefix(&src).unwrap().to_str().unwrap().replace('\\', "/");
            breaches(&file, &fs::read_to_string(path).unwrap())
        })
        .map(|breach| breach.to_string())
        .collect();
    assert!(broken.is_empty(), "\n{}", broken.join("\n"));
}

/// A file `tests.rs` that the `mod.rs` beside it names for tests alone.
fn is_for_tests_alone(path: &Path) -> bool {
    let parent = fs::read_to_string(path.with_file_name("mod.rs")).unwrap_or_default();
    path.file_name().is_some_and(|name| name == "tests.rs")
        && parent.contains("#[cfg(test)]\nmod tests;")
}

/// The rules that `text` breaks as a file of `src/`, each as its line and words.
fn told(file: &str, text: &str) -> Vec<(usize, String)> {
    breaches(file, text).into_iter().map(|breach| (breach.line, breach.what)).collect()
}

#[test]
fn an_impure_name_is_found_however_it_is_written() {
    for text in [
        "use std::fs;",
        "use std::{fmt, fs};",
        "use std::{fmt::{self, Display}, net::{IpAddr}};",
        "use std::fs::read_to_string as read;",
        "fn f() { let _ = std::env::var(\"HOME\"); }",
        "fn f() -> DateTime<Utc> { Utc::now() }",
        "fn f() -> DateTime<Utc> { chrono::Utc::now() }",
        "fn f() { let t = std::time::Instant::now(); }",
        "use std::time::SystemTime;",
        "use std::collections::HashMap;",
        "use std::collections::{BTreeMap, HashSet};",
        "async fn f() { tokio::time::sleep(s).await }",
        "use lettre::Message;",
        "fn f() { select! { x = y => { sqlx::query(\"\"); } } }",
        "use chrono::Local;",
        "fn f() { println!(\"hallo\"); }",
        "impl X for Y { fn z(&self) -> reqwest::Client { w } }",
    ] {
        let found = told("watch/step.rs", text);
        assert!(matches!(&found[..], [(1, what)] if what.contains("pure")), "{text}: {found:?}");
        assert!(told("daemon/mod.rs", text).is_empty(), "{text} is fine in the daemon");
    }
}

#[test]
fn what_only_looks_impure_is_left_alone() {
    for text in [
        "// use std::fs;\n/* tokio */ /// Utc::now\nfn f() {}",
        "fn f() -> &'static str { \"std::fs::read Utc::now() .unwrap()\" }",
        "#[cfg(test)]\nmod tests { use std::fs; fn f() { x.unwrap(); } }",
        "#[cfg(test)]\nuse std::fs;\nfn f() {}",
        "#[cfg(all(test, unix))]\n#[allow(dead_code)]\nfn f() { std::fs::read(x).unwrap(); }",
        "use std::time::Duration; use chrono::{DateTime, Utc};",
        "fn f(now: DateTime<Utc>) { now; local.rand(); lettres(); fs(); }",
        "use std::collections::BTreeMap;",
        "fn f() { x.unwrap_or(1); y.expected(); z.unwrap_err(); }",
    ] {
        assert!(
            told("watch/step.rs", text).is_empty(),
            "{text}: {:?}",
            told("watch/step.rs", text)
        );
    }
}

#[test]
fn an_arrow_that_runs_upward_or_sideways_is_found() {
    for (file, text) in [
        ("plan/read.rs", "use crate::watch::Ladder;"),
        ("plan/read.rs", "use crate::{measure::Span, letter};"),
        ("plan/read.rs", "fn f() -> crate::caution::Level { x }"),
        ("plan/read.rs", "use super::super::review;"),
        ("plan/mod.rs", "use super::review::Review;"),
        ("sun.rs", "use crate::shoreline::Shore;"),
        ("post/mod.rs", "use crate::store::Store;"),
        ("store/mod.rs", "use crate::daemon::Daemon;"),
        ("daemon/mod.rs", "use crate::web::page;"),
        ("web/mod.rs", "mod a { use super::super::cli::run; }"),
        ("letter/mod.rs", "use crate::settings::Mail;"),
    ] {
        let found = told(file, text);
        assert!(matches!(&found[..], [(1, what)] if what.contains("upward")), "{text}: {found:?}");
    }
    for (file, text) in [
        ("plan/read.rs", "use super::fault::Fault; use crate::measure::Span;"),
        ("plan/read.rs", "use self::watch::x; use super::table;"),
        ("watch/step.rs", "use crate::{plan::Plan, caution::{Level}};"),
        ("daemon/mod.rs", "use crate::{store::Store, post, settings::Ladder};"),
        ("web/mod.rs", "mod a { use super::page::b; use crate::daemon; }"),
        ("main.rs", "use shorelamp::cli; use shorelamp::web;"),
        ("lib.rs", "pub mod measure; pub mod web;"),
    ] {
        assert!(told(file, text).is_empty(), "{text}: {:?}", told(file, text));
    }
}

#[test]
fn panics_promises_long_files_and_strangers_are_found() {
    let line_three = "fn f() {\n    a;\n    b.unwrap();\n}";
    assert_eq!(told("daemon/mod.rs", line_three), [(3, "`.unwrap(` must not stand here".into())]);
    assert_eq!(told("cli/mod.rs", "fn f() { b.c().expect(\"d\"); }").len(), 1);
    assert_eq!(told("web/mod.rs", "fn f() { todo!() }").len(), 1);
    assert_eq!(told("web/mod.rs", "fn f() { m!(x.unwrap()) }").len(), 1);
    assert_eq!(told("measure/mod.rs", &"\n".repeat(501)).len(), 1);
    assert!(told("measure/mod.rs", &"\n".repeat(500)).is_empty());
    assert_eq!(told("helpers/mod.rs", "fn f() {}").len(), 1);
}

/// What each row of the security checklist names as its check, by the row's first words.
fn checks(guide: &str) -> Vec<(String, Vec<String>)> {
    let part = guide.split("## Security checklist").nth(1).unwrap_or_default();
    let part = part.split("Not met:").next().unwrap_or_default();
    let rows = part.lines().filter(|line| line.starts_with("| ")).skip(2);
    rows.map(|row| {
        let cells: Vec<&str> = row.trim_matches('|').split(" | ").map(str::trim).collect();
        let named = cells.last().unwrap_or(&"").split('`').skip(1).step_by(2);
        (cells[0].to_owned(), named.map(str::to_owned).collect())
    })
    .collect()
}

/// Whether there is such a check: its file, and in that each test or module that it is narrowed to.
fn is_there(check: &str) -> bool {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let read = |path: String| fs::read_to_string(root.join(path)).unwrap_or_default();
    let words: Vec<&str> = check.split_whitespace().filter(|word| *word != "--").collect();
    match words[..] {
        ["--lib", ref modules @ ..] => {
            let file = |module: &&str| format!("src/{}.rs", module.replace("::", "/"));
            !modules.is_empty() && modules.iter().all(|one| read(file(one)).contains("mod tests"))
        }
        ["--test", name, ref narrowed @ ..] => {
            let has = |one: &&str| {
                let (module, test) = one.split_once("::").unwrap_or((one, ""));
                read(format!("tests/{name}/{module}.rs")).contains(&format!("fn {test}"))
            };
            root.join(format!("tests/{name}.rs")).is_file() && narrowed.iter().all(has)
        }
        [script] if script.ends_with(".py") => root.join(script).is_file(),
        [script] if script.ends_with(".mjs") => root.join("tests/ramp").join(script).is_file(),
        _ => false,
    }
}

#[test]
fn every_row_of_the_security_checklist_has_a_check_that_is_there() {
    let guide = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md"));
    let rows = checks(&guide.unwrap());
    assert!(rows.len() > 20, "{rows:?}");
    for (row, checks) in rows {
        assert!(!checks.is_empty(), "{row}: no check");
        checks.iter().for_each(|check| assert!(is_there(check), "{row}: no {check}"));
    }
    for gone in ["--test nobody", "--test web -- doors::nobody", "--lib web::nobody", "a.py", "x"] {
        assert!(!is_there(gone), "{gone}");
    }
}
