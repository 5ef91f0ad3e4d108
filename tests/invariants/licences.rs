//! Every crate that is linked comes from the registry under a licence of the list in .ci/deny.toml.
use super::source::{members, packages, read};
use std::collections::BTreeSet;
use std::process::Command;

/// The quoted names of the `allow = [...]` list.
fn allowed() -> BTreeSet<String> {
    let text = read(".ci/deny.toml");
    let list = text.split("\nallow = [").nth(1).unwrap();
    let list = list.split(']').next().unwrap();
    list.split('"')
        .skip(1)
        .step_by(2)
        .map(str::to_owned)
        .collect()
}

/// Whether an SPDX expression can be met from the list: OR needs one side, AND needs both; `/` is an old way to write OR.
fn met(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let tokens = expression
        .replace('(', " ( ")
        .replace(')', " ) ")
        .replace('/', " OR ");
    let tokens: Vec<&str> = tokens.split_whitespace().collect();
    let mut at = 0;
    let result = either(&tokens, &mut at, allowed);
    result && at == tokens.len()
}

fn either(tokens: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut result = both(tokens, at, allowed);
    while tokens.get(*at) == Some(&"OR") {
        *at += 1;
        result |= both(tokens, at, allowed);
    }
    result
}

fn both(tokens: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let mut result = single(tokens, at, allowed);
    while tokens.get(*at) == Some(&"AND") {
        *at += 1;
        result &= single(tokens, at, allowed);
    }
    result
}

fn single(tokens: &[&str], at: &mut usize, allowed: &BTreeSet<String>) -> bool {
    let Some(&token) = tokens.get(*at) else {
        return false;
    };
    *at += 1;
    if token == "(" {
        let result = either(tokens, at, allowed);
        *at += 1;
        return result;
    }
    if tokens.get(*at) == Some(&"WITH") {
        let whole = format!("{token} WITH {}", tokens.get(*at + 1).unwrap_or(&""));
        *at += 2;
        return allowed.contains(&whole);
    }
    allowed.contains(token)
}

/// This machine's target triple: crates of other targets need not be here.
fn host() -> String {
    let output = Command::new("rustc").arg("-vV").output().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let line = text.lines().find_map(|l| l.strip_prefix("host: "));
    line.unwrap().to_owned()
}

#[test]
fn every_crate_is_allowed() {
    let packages = packages(&["--filter-platform", &host()]);
    assert!(packages.len() > 100, "{} packages", packages.len());
    let allowed = allowed();
    let mut refused = Vec::new();
    let own = members();
    for package in &packages {
        let name = package["name"].as_str().unwrap();
        let licence = package["license"].as_str().unwrap_or("");
        if !met(licence, &allowed) {
            refused.push(format!("{name}: {licence:?}"));
        }
        let source = package["source"].as_str().unwrap_or("");
        assert!(
            source.starts_with("registry+") || own.contains_key(name),
            "{name} comes from {source:?}"
        );
    }
    assert!(refused.is_empty(), "not allowed:\n{}", refused.join("\n"));
}

#[test]
fn expressions_are_read_as_spdx_says() {
    let allowed: BTreeSet<String> = ["MIT", "BSD-3-Clause"].map(str::to_owned).into();
    assert!(met("MIT OR LGPL-2.1", &allowed));
    assert!(met("Apache-2.0/MIT", &allowed));
    assert!(!met("MIT AND LGPL-2.1", &allowed));
    assert!(met("(Apache-2.0 OR MIT) AND BSD-3-Clause", &allowed));
    assert!(!met("Apache-2.0 WITH LLVM-exception", &allowed));
    assert!(!met("", &allowed) && !met("LGPL-2.1-only", &allowed));
}
