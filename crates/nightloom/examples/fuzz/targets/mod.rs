//! What is fuzzed, by a mutator of our own: plain functions that take bytes.

mod mutate;
mod pictures;
mod program;
mod texts;

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use mutate::{Random, mutate};

/// No input may take longer, of the processor's time: a machine that does much else takes long over anything.
const LONGEST: Duration = Duration::from_secs(10);
/// Whatever takes longer by the clock hangs.
const HANGS: Duration = Duration::from_secs(60);

/// One parser.
pub(crate) struct Target {
    pub(crate) name: &'static str,
    corpus: Vec<Vec<u8>>,
    found: Vec<Vec<u8>>,
    work: Box<Work>,
    mend: fn(&mut Vec<u8>),
}

/// What a parser is asked; an error is what must not happen.
type Work = dyn Fn(&[u8]) -> Result<(), String>;

/// What came of a run.
pub(crate) struct Told {
    pub(crate) inputs: usize,
    pub(crate) longest: Duration,
    pub(crate) failed: Vec<String>,
}

impl Target {
    fn new(
        name: &'static str,
        corpus: Vec<Vec<u8>>,
        work: impl Fn(&[u8]) -> Result<(), String> + 'static,
    ) -> Self {
        assert!(!corpus.is_empty(), "{name} has no corpus");
        Self {
            name,
            corpus,
            found: files(&data().join("found").join(name), &[]),
            work: Box::new(work),
            mend: |_| {},
        }
    }

    /// Checksums put right after a change, so that not the checksum alone is tried.
    fn mended(mut self, mend: fn(&mut Vec<u8>)) -> Self {
        self.mend = mend;
        self
    }

    /// Tries what was found before, the corpus, and then `most` mutations of it, or fewer when the time is over.
    pub(crate) fn run(&self, seed: u64, span: Duration, most: usize) -> Told {
        let mut random = Random(seed ^ self.name.bytes().fold(0, |h, b| h * 31 + u64::from(b)));
        let mut told = Told {
            inputs: 0,
            longest: Duration::ZERO,
            failed: Vec::new(),
        };
        for input in self.found.iter().chain(&self.corpus) {
            self.one(input, &mut told);
        }
        let (began, before) = (Instant::now(), told.inputs);
        while began.elapsed() < span && told.inputs - before < most && told.failed.len() < 5 {
            let mut input = self.corpus[random.below(self.corpus.len())].clone();
            for _ in 0..=random.below(4) {
                mutate(&mut input, &self.corpus, &mut random);
            }
            // A wrong checksum is a case of its own.
            if random.below(8) > 0 {
                (self.mend)(&mut input);
            }
            self.one(&input, &mut told);
        }
        told
    }

    /// Gives the parser an input; an error is what must not happen.
    pub(crate) fn tried(&self, input: &[u8]) -> Result<(), String> {
        (self.work)(input)
    }

    fn one(&self, input: &[u8], told: &mut Told) {
        let (began, before) = (Instant::now(), spent());
        let came = catch_unwind(AssertUnwindSafe(|| self.tried(input)));
        let took = match began.elapsed() {
            long if long > HANGS => long,
            took => took.min(spent().saturating_sub(before)),
        };
        told.inputs += 1;
        told.longest = told.longest.max(took);
        let what = match came {
            Ok(Ok(())) if took <= LONGEST => return,
            Ok(Ok(())) => format!("took {:.1} s", took.as_secs_f64()),
            Ok(Err(what)) => what,
            Err(panic) => {
                let text = panic.downcast_ref::<String>().cloned();
                let text = text.or_else(|| panic.downcast_ref::<&str>().map(ToString::to_string));
                format!("panicked: {}", text.unwrap_or_default())
            }
        };
        told.failed
            .push(format!("{what}; the input is {}", keep(self.name, input)));
    }
}

/// The processor's time that this thread has had, and every child that ended.
fn spent() -> Duration {
    #[cfg(target_os = "linux")]
    {
        use nix::sys::resource::{UsageWho, getrusage};
        let both = [UsageWho::RUSAGE_THREAD, UsageWho::RUSAGE_CHILDREN];
        let times = both.into_iter().filter_map(|who| getrusage(who).ok());
        let times = times.flat_map(|u| [u.user_time(), u.system_time()]);
        times
            .map(|t| {
                Duration::new(
                    t.tv_sec().unsigned_abs(),
                    1000 * t.tv_usec().unsigned_abs() as u32,
                )
            })
            .sum()
    }
    // Elsewhere the clock's.
    #[cfg(not(target_os = "linux"))]
    {
        static FIRST: std::sync::LazyLock<Instant> = std::sync::LazyLock::new(Instant::now);
        FIRST.elapsed()
    }
}

/// Writes an input down for the one who looks for the fault.
fn keep(name: &str, input: &[u8]) -> String {
    let hash: String = nightloom_outing::hash_bytes(input)
        .to_string()
        .chars()
        .take(16)
        .collect();
    let folder = Path::new("fuzz-found").join(name);
    let path = folder.join(hash);
    match fs::create_dir_all(&folder).and_then(|()| fs::write(&path, input)) {
        Ok(()) => path.display().to_string(),
        Err(e) => format!("not kept ({e}): {} bytes", input.len()),
    }
}

/// A folder of the crates: from the root of the sources where this is started there, else where this was built.
fn sources(folder: &str) -> PathBuf {
    let here = Path::new("crates").join(folder);
    if here.is_dir() {
        return here;
    }
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(folder)
}

fn data() -> PathBuf {
    sources("nightloom/tests/data")
}

/// A file of the corpus; empty where there is none.
fn seed(name: &str) -> Vec<u8> {
    fs::read(data().join("fuzz").join(name)).unwrap_or_default()
}

/// The files of a folder with one of these endings, in order.
fn files(folder: &Path, endings: &[&str]) -> Vec<Vec<u8>> {
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = entries.map(|e| e.path()).collect();
    paths.sort();
    let wanted = |p: &&PathBuf| {
        let ending = p.extension().and_then(|e| e.to_str()).unwrap_or_default();
        p.is_file() && (endings.is_empty() || endings.contains(&ending))
    };
    paths
        .iter()
        .filter(wanted)
        .filter_map(|p| fs::read(p).ok())
        .collect()
}

/// A place for one file at a time, gone with the target.
struct Place(PathBuf);

impl Place {
    fn new(name: &str) -> Self {
        static MADE: AtomicUsize = AtomicUsize::new(0);
        let own = format!("{}-{}", std::process::id(), MADE.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(format!("nightloom-fuzz-{name}-{own}"));
        // What is wrong with it is told by the first write.
        let _ = fs::create_dir_all(&path);
        Self(path)
    }
    fn with(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.join(name);
        if let Some(folder) = path.parent() {
            let _ = fs::create_dir_all(folder);
        }
        assert!(fs::write(&path, bytes).is_ok(), "no room for {}", path.display());
        path
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Makes one target; its argument is the program that decodes, reads command lines and serves.
pub(crate) type Make = fn(&str) -> Target;

/// All targets by name, made one at a time: each has a corpus, some a process.
pub(crate) const ALL: [(&str, Make); 20] = [
    ("tiff", |_| pictures::decoded("tiff", "tif")),
    ("fits", |_| pictures::decoded("fits", "fits")),
    ("png", |_| pictures::png()),
    ("jpeg", |_| pictures::decoded("jpeg", "jpg")),
    ("exif", |_| pictures::exif()),
    ("raw", pictures::walled),
    ("answer", pictures::answer),
    ("work file", |_| pictures::work_file()),
    ("outing.toml", |_| texts::settings()),
    ("hints.toml", |_| texts::hints()),
    ("skyline.csv", |_| texts::skyline()),
    ("tiles", |_| texts::tiles()),
    ("zipped tiles", |_| texts::zipped_tiles()),
    ("journal", |_| texts::journal()),
    ("typed", |_| texts::typed()),
    ("kept words", |_| texts::kept_words()),
    ("recipe", |_| texts::recipe()),
    ("lenses", |_| texts::lenses()),
    ("command line", program::command_line),
    ("requests", program::requests),
];
