//! Holds ARCHITECTURE.md to the code: what it names exists, what exists is named, and what it says
//! is absent is absent.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The crates in their order: each may import only from those before it.
pub(crate) const ORDER: [&str; 16] = [
    "fit",
    "sky",
    "optics",
    "raster",
    "stars",
    "stack",
    "seam",
    "outing",
    "frames",
    "chart",
    "journal",
    "develop",
    "pipeline",
    "simulate",
    "pages",
    "nightloom",
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn map() -> String {
    fs::read_to_string(root().join("ARCHITECTURE.md")).unwrap()
}

/// All Rust files under a folder of a crate, with their text.
fn sources(of: &str) -> Vec<(PathBuf, String)> {
    let mut files = Vec::new();
    let mut open = vec![root().join("crates").join(of)];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                open.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                files.push((path, text));
            }
        }
    }
    assert!(!files.is_empty(), "no sources of {of}");
    files
}

/// Lines of code, without comments.
fn code(of: &str) -> Vec<(PathBuf, String)> {
    let bare = |text: &str| {
        let lines = text.lines().filter(|l| !l.trim_start().starts_with("//"));
        lines.collect::<Vec<_>>().join("\n")
    };
    sources(&format!("{of}/src"))
        .into_iter()
        .map(|(p, t)| (p, bare(&t)))
        .collect()
}

/// Files of a crate whose code holds one of these words.
fn holding(of: &str, words: &[&str]) -> Vec<String> {
    let files = code(of).into_iter();
    files
        .filter(|(_, t)| words.iter().any(|w| t.contains(w)))
        .map(|(p, _)| p.display().to_string())
        .collect()
}

/// The workspace's crates that a crate depends on.
fn dependencies(of: &str, table: &str) -> BTreeSet<String> {
    let text = fs::read_to_string(root().join("crates").join(of).join("Cargo.toml")).unwrap();
    let document: toml_edit::DocumentMut = text.parse().unwrap();
    let names = document
        .get(table)
        .and_then(|t| t.as_table_like())
        .into_iter()
        .flat_map(|t| t.iter());
    names
        .filter_map(|(name, _)| name.strip_prefix("nightloom-").map(str::to_owned))
        .collect()
}

/// Everything between backticks.
fn quoted(text: &str) -> Vec<&str> {
    text.lines()
        .flat_map(|line| line.split('`').skip(1).step_by(2))
        .collect()
}

#[test]
fn every_crate_stands_in_the_map_in_order() {
    let folders: BTreeSet<String> = fs::read_dir(root().join("crates"))
        .unwrap()
        .flatten()
        .filter(|e| e.path().join("Cargo.toml").exists())
        .map(|e| e.file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(folders, ORDER.iter().map(|c| (*c).to_owned()).collect());
    let map = map();
    let lines: Vec<usize> = ORDER
        .iter()
        .map(|c| {
            map.lines()
                .position(|l| l.starts_with(&format!("| `{c}` |")))
                .unwrap_or_else(|| panic!("{c} has no line"))
        })
        .collect();
    assert!(
        lines.is_sorted(),
        "the crates' lines are not in the order of imports"
    );
}

#[test]
fn the_map_has_the_length_of_a_map() {
    let lines = map().lines().count();
    assert!((150..=250).contains(&lines), "{lines} lines");
}

/// Lines that a crate may have before it is several.
const MOST_LINES: usize = 16_000;

#[test]
fn no_crate_is_too_large_to_be_known() {
    for of in ORDER {
        let lines: usize = sources(&format!("{of}/src"))
            .iter()
            .map(|(_, t)| t.lines().count())
            .sum();
        assert!(lines <= MOST_LINES, "{of} has {lines} lines");
    }
}

/// A name in backticks that looks like a path must be one.
#[test]
fn every_path_in_the_map_exists() {
    const TOPS: [&str; 7] = [
        "crates/",
        "docs/",
        "scripts/",
        ".ci/",
        ".config/",
        "licences/",
        "Cargo.",
    ];
    let map = map();
    let paths: Vec<&str> = quoted(&map)
        .into_iter()
        .filter(|q| TOPS.iter().any(|t| q.starts_with(t)))
        .collect();
    assert!(paths.len() > 30, "only {} paths", paths.len());
    for path in paths {
        assert!(
            root().join(path).exists(),
            "{path} is in the map but not in the tree"
        );
    }
}

/// A name in backticks of the form `crate::item` must be a public item of that crate.
#[test]
fn every_item_in_the_map_exists() {
    const KINDS: [&str; 8] = ["fn", "struct", "enum", "trait", "type", "const", "static", "mod"];
    let map = map();
    let mut seen = 0;
    for name in quoted(&map).into_iter().filter(|q| q.contains("::")) {
        let (of, item) = name.split_once("::").unwrap();
        if !ORDER.contains(&of) {
            continue;
        }
        seen += 1;
        let item = item.rsplit("::").next().unwrap().trim_end_matches("()");
        let defined = |text: &str| {
            KINDS.iter().any(|kind| {
                text.match_indices(&format!("pub {kind} {item}"))
                    .any(|(at, hit)| {
                        !text[at + hit.len()..].starts_with(|c: char| c.is_alphanumeric() || c == '_')
                    })
            })
        };
        assert!(
            code(of).iter().any(|(_, t)| defined(t)),
            "{name} is in the map but not in the code"
        );
    }
    assert!(seen > 30, "only {seen} items");
}

#[test]
fn imports_follow_the_order() {
    for (at, of) in ORDER.iter().enumerate() {
        for on in dependencies(of, "dependencies") {
            let place = ORDER.iter().position(|c| *c == on).unwrap_or(usize::MAX);
            assert!(place < at, "{of} imports {on}, which does not come before it");
        }
    }
}

/// The crates that a build goes through.
const BUILD: [&str; 3] = ["journal", "develop", "pipeline"];

/// What opening a file looks like.
const OPENING: &[&str] = &["std::fs", "fs::File", "OpenOptions"];

/// An “Invariant:” line of the map and the check that holds it.
type Invariant = (&'static str, fn() -> Vec<String>);

const INVARIANTS: &[Invariant] = &[
    ("no library prints", || {
        let libraries = ORDER.iter().filter(|c| **c != "nightloom");
        libraries
            .flat_map(|c| holding(c, &["println!", "eprintln!", "print!(", "dbg!", "io::stderr("]))
            .collect()
    }),
    ("`fit` knows not what it fits", || {
        let words = ["Lens", "Star", "Plane", "pixel", "frame", "std::fs", "std::time"];
        let own: Vec<&str> = ORDER.iter().copied().filter(|c| *c != "fit").collect();
        [depends("fit", &own), holding("fit", &words)].concat()
    }),
    ("`sky` reads no clock and no file", || {
        holding(
            "sky",
            &[
                "SystemTime",
                "Instant::now",
                "Timestamp::now",
                "std::fs",
                "File::open",
                "std::env",
            ],
        )
    }),
    ("`optics` knows no pixel buffer", || {
        depends("optics", &["raster"])
    }),
    ("`raster` knows no sky", || depends("raster", &["sky", "optics"])),
    ("`stars` opens no file", || holding("stars", OPENING)),
    ("`stack` and `seam` know no outing", || {
        [
            depends("stack", &["outing", "sky"]),
            depends("seam", &["outing", "sky"]),
        ]
        .concat()
    }),
    ("`stack` and `seam` open no file", || {
        [holding("stack", OPENING), holding("seam", OPENING)].concat()
    }),
    ("nothing but the program depends on `simulate`", || {
        let others = ORDER.iter().filter(|c| **c != "nightloom");
        others.flat_map(|c| depends(c, &["simulate"])).collect()
    }),
    ("`simulate` does not detect, match, stack or blend", || {
        depends(
            "simulate",
            &[
                "stars", "stack", "seam", "outing", "frames", "develop", "pipeline",
            ],
        )
    }),
    ("nothing is fetched at run time", || {
        let lock = fs::read_to_string(root().join("Cargo.lock")).unwrap();
        let networks = [
            "reqwest",
            "ureq",
            "curl",
            "rustls",
            "native-tls",
            "openssl",
            "webpki-roots",
        ];
        let named = |n: &&&str| lock.contains(&format!("name = \"{n}\"\n"));
        networks.iter().filter(named).map(|n| (*n).to_owned()).collect()
    }),
    ("only `pages` listens, and nothing connects", || {
        let files = ORDER.iter().flat_map(|c| code(c));
        let wrong = files.filter(|(path, text)| {
            let connects = [
                "TcpStream",
                "UdpSocket",
                "TcpSocket",
                "UnixStream",
                "lookup_host",
                "ToSocketAddrs",
            ];
            let serves = path
                .to_string_lossy()
                .replace('\\', "/")
                .contains("/crates/pages/");
            connects.iter().any(|word| text.contains(word)) || (text.contains("TcpListener") && !serves)
        });
        wrong.map(|(p, _)| p.display().to_string()).collect()
    }),
    ("no `unsafe` outside files that allow it with a reason", || {
        let files = ORDER.iter().flat_map(|c| code(c));
        let wrong = files.filter(|(_, t)| {
            let uses = t.contains("unsafe {") || t.contains("unsafe fn") || t.contains("unsafe impl");
            let bare: String = t.split_whitespace().collect();
            uses && !(bare.contains("allow(unsafe_code,reason=")
                || bare.contains("expect(unsafe_code,reason="))
        });
        wrong.map(|(p, _)| p.display().to_string()).collect()
    }),
    (
        "what depends on the operating system stands in a crate's `system.rs`",
        || {
            let words = [
                "cfg(unix",
                "cfg(not(unix",
                "cfg(windows",
                "cfg!(",
                "target_os",
                "target_family",
                "std::os::",
                "nix::",
                "rustix::",
                "/proc/self/",
            ];
            let files = ORDER.iter().flat_map(|c| code(c));
            let wrong = files.filter(|(path, text)| {
                !path.ends_with("system.rs") && words.iter().any(|w| text.contains(w))
            });
            let mut wrong: Vec<String> = wrong.map(|(p, _)| p.display().to_string()).collect();
            // Every such module says what stands in elsewhere.
            for (path, text) in ORDER.iter().flat_map(|c| sources(&format!("{c}/src"))) {
                let told =
                    text.to_lowercase().contains("elsewhere") || text.contains("Where\n//! there is no");
                if path.ends_with("system.rs") && !(text.contains("cfg(not(") && told) {
                    wrong.push(format!("{} tells of no other system", path.display()));
                }
            }
            wrong
        },
    ),
    ("`pages` does not know the program", || {
        depends("pages", &["nightloom", "simulate"])
    }),
    ("no command imports `cli`", || {
        holding("nightloom", &["crate::cli", "super::cli"])
    }),
    ("the pipeline asks the time only of its `World`", || {
        let words = ["SystemTime", "Instant::now", "Timestamp::now", "Zoned::now"];
        BUILD.iter().flat_map(|c| holding(c, &words)).collect()
    }),
    ("the pipeline decodes only through its `World`", || {
        let words = ["decode_here", "Wall {", "raster::Wall"];
        BUILD.iter().flat_map(|c| holding(c, &words)).collect()
    }),
];

fn depends(of: &str, on: &[&str]) -> Vec<String> {
    let all = dependencies(of, "dependencies");
    on.iter()
        .filter(|c| all.contains(**c))
        .map(|c| format!("{of} depends on {c}"))
        .collect()
}

#[test]
fn every_invariant_is_held() {
    let map = map();
    let mut said: Vec<&str> = map
        .lines()
        .filter_map(|l| l.trim_start_matches("- ").strip_prefix("Invariant: "))
        .collect();
    said.iter_mut().for_each(|l| *l = l.trim_end_matches('.'));
    let known: Vec<&str> = INVARIANTS.iter().map(|(line, _)| *line).collect();
    let unheld: Vec<&&str> = said.iter().filter(|l| !known.contains(*l)).collect();
    assert!(unheld.is_empty(), "no check holds {unheld:?}");
    for (line, check) in INVARIANTS {
        assert!(said.contains(line), "the map does not say “{line}”");
        let against = check();
        assert!(against.is_empty(), "“{line}” is broken by {against:?}");
    }
}
