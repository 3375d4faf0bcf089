//! The failing file layer under the real program, and the journal it writes.

use crate::home::{Ran, program};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// A command that takes longer hangs.
const PATIENCE: Duration = Duration::from_secs(120);

/// A folder in memory where there is one: syncing to a real disk tells nothing here and takes most of the time.
pub(super) fn scratch() -> TempDir {
    let memory = Path::new("/dev/shm");
    let made = if memory.is_dir() { tempfile::tempdir_in(memory) } else { tempfile::tempdir() };
    made.expect("a temporary folder")
}

/// The layer, compiled once. The C compiler is there: SQLite was built with it.
fn library() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("faults/layer.c");
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"));
        let made = folder.join(format!("layer-{}.so", std::process::id()));
        let out = Command::new("cc")
            .args(["-O1", "-shared", "-fPIC", "-o"])
            .args([&made, &source])
            .args(["-ldl", "-lpthread"])
            .output()
            .expect("a C compiler, as SQLite needs one");
        assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
        // Several test processes build it at once.
        let done = folder.join("layer.so");
        std::fs::rename(&made, &done).expect("renamed");
        done
    })
}

/// The real program on the folder of a device (`home` in it), with the layer under it.
pub(super) struct Layered<'a> {
    pub(super) device: &'a Path,
    pub(super) fault: Option<String>,
    pub(super) journal: Option<&'a Path>,
    /// Seconds added to the clock.
    pub(super) clock: i64,
}

impl<'a> Layered<'a> {
    pub(super) fn on(device: &'a Path) -> Self {
        Self { device, fault: None, journal: None, clock: 0 }
    }

    pub(super) fn command(&self, args: &[String]) -> Command {
        let mut c = Command::new(program());
        // The layer compares paths, also relative ones, which the system completes without links.
        let device = self.device.canonicalize().expect("a folder");
        c.args(args).current_dir(&device).env_clear();
        c.env("LEADLINE_HOME", device.join("home")).env("LAYER_ROOT", &device);
        c.env("LD_PRELOAD", library()).env("LAYER_CLOCK", self.clock.to_string());
        if let Some(fault) = &self.fault {
            c.env("LAYER_FAULT", fault);
        }
        if let Some(journal) = self.journal {
            c.env("LAYER_JOURNAL", journal);
        }
        c.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        c
    }

    /// Runs to the end. `None` if there is none.
    pub(super) fn run(&self, args: &[String]) -> Option<Ran> {
        let mut child = self.command(args).spawn().expect("the program starts");
        let began = Instant::now();
        // What a command says here fits into a pipe.
        while child.try_wait().expect("a child").is_none() {
            if began.elapsed() > PATIENCE {
                drop(child.kill());
                drop(child.wait());
                return None;
            }
            std::thread::sleep(Duration::from_millis(1));
        }
        Some(child.wait_with_output().expect("its words").into())
    }
}

/// One change of a file or folder, or a moment.
#[derive(Clone, Debug)]
pub(super) struct Op {
    /// As `tests/faults/layer.c` names it.
    pub(super) kind: char,
    /// Number of the file's opening.
    pub(super) open: u32,
    pub(super) path: String,
    pub(super) second: String,
    pub(super) offset: u64,
    pub(super) data: Vec<u8>,
}

impl Op {
    /// Whether the layer counts it.
    pub(super) fn is_change(&self) -> bool {
        !matches!(self.kind, 'n' | 'A' | 'E')
    }
}

/// Reads a journal.
pub(super) fn journal(path: &Path) -> Vec<Op> {
    let bytes = std::fs::read(path).expect("a journal");
    let (mut rest, mut ops) = (bytes.as_slice(), Vec::new());
    while !rest.is_empty() {
        let kind = char::from(take(&mut rest, 1)[0]);
        let open = u32::try_from(number(&mut rest, 4)).expect("four bytes");
        let (path, second) = (number(&mut rest, 4), number(&mut rest, 4));
        let (offset, data) = (number(&mut rest, 8), number(&mut rest, 8));
        let path = text(&mut rest, path);
        let second = text(&mut rest, second);
        let data = if kind == 'W' { take(&mut rest, data as usize).to_vec() } else { Vec::new() };
        ops.push(Op { kind, open, path, second, offset, data });
    }
    ops
}

fn take<'a>(rest: &mut &'a [u8], n: usize) -> &'a [u8] {
    let (part, after) = rest.split_at(n);
    *rest = after;
    part
}

fn number(rest: &mut &[u8], n: usize) -> u64 {
    take(rest, n).iter().rev().fold(0, |sum, b| sum << 8 | u64::from(*b))
}

fn text(rest: &mut &[u8], n: u64) -> String {
    String::from_utf8(take(rest, n as usize).to_vec()).expect("UTF-8")
}
