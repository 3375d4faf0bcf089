//! What a disk may hold after the power was cut: a model of files and folders, fed with the journal of a command.
//!
//! Promised by a disk is only what was synced: a file's bytes by a sync of the file, a name in a folder by a sync of
//! that folder. Of all other changes each may have reached it or not, writes also in part (sectors of 512 bytes, in any
//! order), names in a folder in their order. POSIX.1-2024, fsync(), promises no more; that sectors are written
//! whole, and that a write spoils no byte beside it, is what SQLite takes for granted too
//! ("Atomic Commit In SQLite", section 2, and its "powersafe overwrite").

use super::layer::Op;
use crate::sim::Dice;
use std::collections::BTreeMap;
use std::path::Path;

const SECTOR: usize = 512;

/// A change of a file's content.
#[derive(Clone, Debug)]
enum Change {
    Write(u64, Vec<u8>),
    Cut(u64),
}

#[derive(Clone, Debug, Default)]
struct File {
    /// What is surely there.
    synced: Vec<u8>,
    /// What was done since.
    pending: Vec<Change>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Node {
    File(usize),
    Folder(usize),
}

/// A change of a folder's names.
#[derive(Clone, Debug)]
enum Naming {
    Put(String, Node),
    Drop(String),
    /// From, to: at once.
    Move(String, String),
}

#[derive(Clone, Debug, Default)]
struct Folder {
    synced: BTreeMap<String, Node>,
    pending: Vec<Naming>,
    /// As the running program sees it.
    live: BTreeMap<String, Node>,
}

/// How a disk fails its promises; for the proof that the checks see it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Honesty {
    Honest,
    /// Says that it has synced and has not.
    Liar,
}

/// A disk.
#[derive(Clone, Debug)]
pub(super) struct Disk {
    files: Vec<File>,
    folders: Vec<Folder>,
    /// By number of opening.
    open: BTreeMap<u32, Node>,
    honesty: Honesty,
}

impl Disk {
    /// A disk that surely holds what is in `root`.
    pub(super) fn holding(root: &Path, honesty: Honesty) -> Self {
        let mut disk =
            Self { files: Vec::new(), folders: vec![Folder::default()], open: BTreeMap::new(), honesty };
        disk.load(root, 0);
        disk
    }

    fn load(&mut self, dir: &Path, into: usize) {
        for entry in std::fs::read_dir(dir).expect("a folder") {
            let path = entry.expect("readable").path();
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            let node = if path.is_dir() {
                self.folders.push(Folder::default());
                let number = self.folders.len() - 1;
                self.load(&path, number);
                Node::Folder(number)
            } else {
                let synced = std::fs::read(&path).expect("a file");
                self.files.push(File { synced, pending: Vec::new() });
                Node::File(self.files.len() - 1)
            };
            self.folders[into].synced.insert(name.clone(), node.clone());
            self.folders[into].live.insert(name, node);
        }
    }

    /// The folder that holds `path`, and the name in it.
    fn place(&self, path: &str) -> (usize, String) {
        let (dir, name) = path.rsplit_once('/').unwrap_or(("", path));
        match self.node(dir) {
            Some(Node::Folder(n)) => (n, name.to_owned()),
            other => panic!("{path}: {other:?}"),
        }
    }

    fn node(&self, path: &str) -> Option<Node> {
        let parts = path.split('/').filter(|p| !p.is_empty());
        parts.into_iter().try_fold(Node::Folder(0), |at, name| match at {
            Node::Folder(n) => self.folders[n].live.get(name).cloned(),
            Node::File(_) => None,
        })
    }

    fn name(&mut self, folder: usize, naming: Naming) {
        let f = &mut self.folders[folder];
        apply(&mut f.live, &naming);
        f.pending.push(naming);
    }

    fn change(&mut self, open: u32, change: Change) {
        if let Some(Node::File(n)) = self.open.get(&open) {
            self.files[*n].pending.push(change);
        }
    }

    /// Does what the program did.
    pub(super) fn step(&mut self, op: &Op) {
        match op.kind {
            'o' | 'O' | 'N' | 'n' => self.opened(op),
            'W' => self.change(op.open, Change::Write(op.offset, op.data.clone())),
            'T' => self.change(op.open, Change::Cut(op.offset)),
            'S' if self.honesty == Honesty::Honest => self.sync(op.open),
            'M' => {
                let (folder, name) = self.place(&op.path);
                self.folders.push(Folder::default());
                let made = Node::Folder(self.folders.len() - 1);
                self.name(folder, Naming::Put(name, made));
            }
            'U' => {
                let (folder, name) = self.place(&op.path);
                self.name(folder, Naming::Drop(name));
            }
            'L' => {
                let (folder, name) = self.place(&op.second);
                let node = self.node(&op.path).expect("what is linked is there");
                self.name(folder, Naming::Put(name, node));
            }
            'R' => {
                let ((folder, from), (other, to)) = (self.place(&op.path), self.place(&op.second));
                assert_eq!(folder, other, "moved inside one folder: {}", op.path);
                self.name(folder, Naming::Move(from, to));
            }
            'S' | 'P' | 'X' | 'A' | 'E' => {}
            other => panic!("no op is called {other}"),
        }
    }

    fn opened(&mut self, op: &Op) {
        let node = self.node(&op.path).unwrap_or_else(|| {
            let (folder, name) = self.place(&op.path);
            self.files.push(File::default());
            let made = Node::File(self.files.len() - 1);
            self.name(folder, Naming::Put(name, made.clone()));
            made
        });
        self.open.insert(op.open, node);
        if op.kind == 'o' {
            self.change(op.open, Change::Cut(0));
        }
    }

    fn sync(&mut self, open: u32) {
        match self.open.get(&open) {
            Some(Node::File(n)) => {
                let file = &mut self.files[*n];
                let pending = std::mem::take(&mut file.pending);
                pending.iter().for_each(|c| write(&mut file.synced, c, |_| true));
            }
            Some(Node::Folder(n)) => {
                let folder = &mut self.folders[*n];
                let pending = std::mem::take(&mut folder.pending);
                pending.iter().for_each(|c| apply(&mut folder.synced, c));
            }
            None => {}
        }
    }

    /// Makes in `root` one of the states in which a cut of the power now may leave the disk.
    pub(super) fn cut(&self, root: &Path, dice: &mut Dice) {
        // Everything, nothing or anything of what was not synced.
        let percent = [0, 100, 50, 20, 80][dice.below(5)];
        let contents: Vec<Vec<u8>> = self.files.iter().map(|f| f.survives(percent, dice)).collect();
        let names: Vec<_> = self.folders.iter().map(|f| f.survives(percent, dice)).collect();
        lay_out(root, 0, &names, &contents);
    }
}

fn lay_out(dir: &Path, folder: usize, names: &[BTreeMap<String, Node>], contents: &[Vec<u8>]) {
    std::fs::create_dir_all(dir).expect("made");
    for (name, node) in &names[folder] {
        let path = dir.join(name);
        match node {
            Node::File(n) => std::fs::write(path, &contents[*n]).expect("written"),
            Node::Folder(n) => lay_out(&path, *n, names, contents),
        }
    }
}

impl File {
    fn survives(&self, percent: usize, dice: &mut Dice) -> Vec<u8> {
        let mut bytes = self.synced.clone();
        for change in &self.pending {
            let torn = matches!(change, Change::Write(..)) && !matches!(percent, 0 | 100) && dice.chance(25);
            if torn {
                write(&mut bytes, change, |_| dice.chance(50));
            } else if dice.chance(percent) {
                write(&mut bytes, change, |_| true);
            }
        }
        bytes
    }
}

impl Folder {
    fn survives(&self, percent: usize, dice: &mut Dice) -> BTreeMap<String, Node> {
        let mut names = self.synced.clone();
        let kept = match percent {
            0 => 0,
            100 => self.pending.len(),
            _ => dice.below(self.pending.len() + 1),
        };
        self.pending.iter().take(kept).for_each(|n| apply(&mut names, n));
        names
    }
}

fn apply(names: &mut BTreeMap<String, Node>, naming: &Naming) {
    match naming {
        Naming::Put(name, node) => drop(names.insert(name.clone(), node.clone())),
        Naming::Drop(name) => drop(names.remove(name)),
        Naming::Move(from, to) => {
            if let Some(node) = names.remove(from) {
                names.insert(to.clone(), node);
            }
        }
    }
}

/// Does a change, of a write only those sectors of the disk that `keep` lets through.
fn write(bytes: &mut Vec<u8>, change: &Change, mut keep: impl FnMut(usize) -> bool) {
    match change {
        Change::Cut(len) => bytes.resize(*len as usize, 0),
        Change::Write(offset, data) => {
            let (mut at, end) = (*offset as usize, *offset as usize + data.len());
            while at < end {
                let next = ((at / SECTOR + 1) * SECTOR).min(end);
                if keep(at / SECTOR) {
                    bytes.resize(bytes.len().max(next), 0);
                    bytes[at..next].copy_from_slice(&data[at - *offset as usize..next - *offset as usize]);
                }
                at = next;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn op(kind: char, open: u32, path: &str, second: &str, data: &[u8]) -> Op {
        Op { kind, open, path: path.into(), second: second.into(), offset: 0, data: data.to_vec() }
    }

    /// All the states of a hundred cuts after these changes of an empty disk: what is in `f`, if it is there.
    fn states(ops: &[Op]) -> std::collections::BTreeSet<Option<Vec<u8>>> {
        let root = tempfile::tempdir().expect("a temporary folder");
        let mut disk = Disk::holding(root.path(), Honesty::Honest);
        ops.iter().for_each(|op| disk.step(op));
        let one = |seed| {
            let dir = tempfile::tempdir().expect("a temporary folder");
            disk.cut(dir.path(), &mut Dice::new(seed));
            std::fs::read(dir.path().join("f")).ok()
        };
        (0..100).map(one).collect()
    }

    #[test]
    fn only_what_was_synced_is_promised() {
        let made = [op('O', 1, "t", "", b""), op('W', 1, "", "", b"new"), op('S', 1, "", "", b"")];
        let moved = [&made[..], &[op('R', 0, "t", "f", b"")]].concat();
        let none_or_new = [None, Some(b"new".to_vec())].into();
        assert_eq!(states(&moved), none_or_new, "the name is not promised");
        let folder = [op('n', 2, "", "", b""), op('S', 2, "", "", b"")];
        assert_eq!(states(&[&moved[..], &folder].concat()), [Some(b"new".to_vec())].into());
        // Without a sync of the file, even its length is open.
        let hasty = [&made[..2], &[op('R', 0, "t", "f", b"")], &folder].concat();
        assert_eq!(states(&hasty), [Some(Vec::new()), Some(b"new".to_vec())].into());
        // Two sectors may come one without the other.
        let long = [
            op('O', 1, "f", "", b""),
            op('n', 2, "", "", b""),
            op('S', 2, "", "", b""),
            op('W', 1, "", "", &[7; 1024]),
        ];
        let lengths: std::collections::BTreeSet<_> =
            states(&long).into_iter().flatten().map(|b| b.iter().filter(|b| **b == 7).count()).collect();
        assert_eq!(lengths, [0, 512, 1024].into());
    }
}
