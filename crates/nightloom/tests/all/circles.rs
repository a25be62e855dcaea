//! Modules of a crate that use each other: none but those that ARCHITECTURE.md names with a reason.
//!
//! A module and those inside it count as one: what children share stands in their parent.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// A module's path from the crate's root.
type Module = Vec<String>;

/// A crate's modules with what they name and what they pass on.
type Modules = BTreeMap<Module, [Vec<String>; 2]>;

fn modules(of: &str) -> Modules {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("..")
        .join(of)
        .join("src");
    let mut found = BTreeMap::new();
    let mut open = vec![(root, Module::new())];
    while let Some((folder, at)) = open.pop() {
        for path in fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
            let name = path.file_stem().unwrap().to_string_lossy().into_owned();
            let inside = [&at[..], std::slice::from_ref(&name)].concat();
            if path.is_dir() && name != "bin" {
                open.push((path, inside));
            } else if path.extension().is_some_and(|e| e == "rs") {
                let own = matches!(name.as_str(), "mod" | "lib" | "main");
                found.insert(if own { at.clone() } else { inside }, named(&bare(&path)));
            }
        }
    }
    found
}

/// A file without its comments and its tests.
fn bare(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    let text = text.split("#[cfg(test)]").next().unwrap_or_default();
    let lines = text.lines().filter(|l| !l.trim_start().starts_with("//"));
    lines.collect::<Vec<_>>().join("\n")
}

/// A tree of imports as single paths.
fn flat(tree: &str) -> Vec<String> {
    let Some((before, rest)) = tree.split_once('{') else {
        return vec![tree.trim().to_owned()];
    };
    let inside = rest.trim_end().strip_suffix('}').unwrap_or(rest);
    let (mut parts, mut depth) = (vec![String::new()], 0);
    for c in inside.chars() {
        depth += i32::from(c == '{') - i32::from(c == '}');
        match c {
            ',' if depth == 0 => parts.push(String::new()),
            _ => parts.last_mut().unwrap().push(c),
        }
    }
    let each = parts.iter().flat_map(|part| flat(part));
    each.map(|part| format!("{}{part}", before.trim())).collect()
}

/// The paths that a file names, and those that it passes on to others.
fn named(text: &str) -> [Vec<String>; 2] {
    let [mut named, mut passed] = [Vec::new(), Vec::new()];
    let mut rest = String::new();
    for statement in text.split_inclusive(';') {
        let line = statement.trim_start().trim_end_matches(';');
        match line.split_once("use ") {
            Some(("", tree)) => named.extend(flat(tree)),
            Some((to, tree)) if to.starts_with("pub") && !to.contains('{') => passed.extend(flat(tree)),
            _ => rest.push_str(statement),
        }
    }
    let part_of_path = |c: char| c.is_alphanumeric() || c == '_' || c == ':';
    named.extend(rest.split(|c| !part_of_path(c)).map(str::to_owned));
    [named, passed]
}

/// The module that a path named in `at` leads to.
fn module_of(path: &str, at: &Module, all: &Modules) -> Option<Module> {
    let mut steps = path.split("::").peekable();
    let mut here = at.clone();
    match steps.peek() {
        Some(&"crate") => here.clear(),
        Some(&("super" | "self")) => {}
        _ => return None,
    }
    for step in steps {
        match step {
            "super" => _ = here.pop(),
            "self" | "crate" => {}
            _ => {
                here.push(step.to_owned());
                if !all.contains_key(&here) {
                    here.pop();
                    let [_, passed] = &all[&here];
                    let from = passed.iter().filter_map(|p| p.rsplit_once("::"));
                    let from = from.filter(|(_, item)| *item == step).map(|(from, _)| from);
                    here.extend(from.flat_map(|f| f.split("::")).map(str::to_owned));
                    break;
                }
            }
        }
    }
    let within = here.starts_with(at) || at.starts_with(&here);
    (!within && all.contains_key(&here)).then_some(here)
}

/// The modules of a crate that lead back to themselves.
fn in_circles(of: &str) -> BTreeSet<String> {
    let all = modules(of);
    let uses: BTreeMap<&Module, BTreeSet<Module>> = all
        .iter()
        .map(|(at, [paths, _])| (at, paths.iter().filter_map(|p| module_of(p, at, &all)).collect()))
        .collect();
    let comes_back = |from: &Module| {
        let (mut seen, mut open) = (BTreeSet::new(), vec![from]);
        while let Some(at) = open.pop() {
            open.extend(uses[at].iter().filter(|next| seen.insert(*next)));
        }
        seen.contains(from)
    };
    let back = all.keys().filter(|m| comes_back(m));
    back.map(|m| {
        let file = format!("crates/{of}/src/{}", m.join("/"));
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(&file);
        let end = if folder.join("mod.rs").exists() {
            "/mod.rs"
        } else {
            ".rs"
        };
        file + end
    })
    .collect()
}

#[test]
fn modules_form_no_circles_but_those_named() {
    let map =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../ARCHITECTURE.md")).unwrap();
    let lines = map.lines().filter(|l| l.starts_with("- Circle: "));
    let said: BTreeSet<String> = lines
        .flat_map(|l| l.split('`').skip(1).step_by(2))
        .map(str::to_owned)
        .collect();
    let found: BTreeSet<String> = super::architecture::ORDER
        .iter()
        .flat_map(|of| in_circles(of))
        .collect();
    assert_eq!(
        found, said,
        "circles of modules, and those that ARCHITECTURE.md names"
    );
}

#[test]
fn trees_of_imports_are_taken_apart() {
    let tree = "super::{a, b::{self, C}, d::E}";
    assert_eq!(
        flat(tree),
        ["super::a", "super::b::self", "super::b::C", "super::d::E"]
    );
    let [named, passed] = named("pub use a::B;\nuse crate::c::D;\nfn f() { super::g::h(); }");
    assert!(named.contains(&"super::g::h".to_owned()) && named.contains(&"crate::c::D".to_owned()));
    assert_eq!(passed, ["a::B"]);
}
