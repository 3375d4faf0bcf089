//! A device with its real folder: `SurveyDesk` and SQLite. What dies leaves its files as they are at that moment.

use super::dice::Dice;
use super::site::{Image, Reading, Site, Ticket, WATER, text};
use leadline_logbook::{Crew, Entry, Have, Op, PackedLeg, Role};
use leadline_model::{DeviceId, EntryId, StripDigest, SurveyId, UtcMillis};
use leadline_survey::{Home, Store, SurveyDesk, found_survey, invite, join};
use leadline_sync::{Desk, Question};
use rusqlite::Connection;
use std::cell::{Cell, RefCell};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// A day, ms.
const DAY: i64 = 24 * 3600 * 1000;

/// Where the folders of one world are made.
#[derive(Clone)]
pub(super) struct Folders {
    dir: Rc<tempfile::TempDir>,
    made: Rc<Cell<usize>>,
}

impl Folders {
    pub(super) fn new() -> Self {
        // What is on the disk at a crash is made by copying files: memory serves as well, where there is such a disk.
        let quick = Path::new("/dev/shm");
        let made = if quick.is_dir() { tempfile::tempdir_in(quick) } else { tempfile::tempdir() };
        let dir = Rc::new(made.expect("a folder"));
        Self { dir, made: Rc::new(Cell::new(0)) }
    }

    fn next(&self) -> PathBuf {
        self.made.set(self.made.get() + 1);
        self.dir.path().join(self.made.get().to_string())
    }

    pub(super) fn founder(&self) -> (Box<dyn Site>, SurveyId) {
        let root = self.next();
        let home = Home::open(Some(&root)).expect("a home");
        let survey = found_survey(&home, &text(WATER), &text("weir crest"), wall_clock()).expect("founded");
        (Box::new(FolderSite::open(self.clone(), root, survey)), survey)
    }

    pub(super) fn newcomer(&self, ticket: &Ticket) -> Box<dyn Site> {
        Box::new(FolderSite::open(self.clone(), self.next(), ticket.survey))
    }
}

struct FolderSite {
    folders: Folders,
    root: PathBuf,
    home: Home,
    survey: SurveyId,
    clock: UtcMillis,
    /// The third looks at tables that the store does not show.
    live: Option<(Store, SurveyDesk, Connection)>,
    /// Entries read and checked before: their ids prove them.
    read: RefCell<BTreeMap<EntryId, Entry>>,
}

/// Admission on a real desk goes by the real clock.
fn wall_clock() -> UtcMillis {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).expect("after 1970");
    UtcMillis(since.as_millis() as i64)
}

impl FolderSite {
    fn open(folders: Folders, root: PathBuf, survey: SurveyId) -> Self {
        let home = Home::open(Some(&root)).expect("a home");
        let mut site =
            Self { folders, root, home, survey, clock: wall_clock(), live: None, read: RefCell::default() };
        site.start();
        site
    }

    fn start(&mut self) {
        let store = self.home.store(&self.survey).expect("opens");
        let desk = SurveyDesk::new(&self.home, self.survey).expect("a desk");
        let db = Connection::open(self.file("")).expect("opens");
        self.live = Some((store, desk, db));
    }

    fn store(&self) -> &Store {
        &self.live.as_ref().expect("it runs").0
    }

    fn store_mut(&mut self) -> &mut Store {
        &mut self.live.as_mut().expect("it runs").0
    }

    fn file(&self, tail: &str) -> PathBuf {
        self.root.join("surveys").join(format!("{}.sqlite{tail}", self.survey))
    }

    /// The store's files as they are on the disk now, copied to `to`; SQLite's shared memory does not outlive a
    /// machine.
    fn copy_files(&self, to: &Path) {
        fs::create_dir_all(to).expect("a folder");
        for tail in ["", "-wal"] {
            let (from, to) = (self.file(tail), to.join(format!("store{tail}")));
            if from.exists() {
                fs::copy(from, to).expect("copied");
            }
        }
    }

    fn put_files(&mut self, from: &Path) {
        self.live = None;
        for tail in ["", "-wal", "-shm"] {
            let (from, to) = (from.join(format!("store{tail}")), self.file(tail));
            if to.exists() {
                fs::remove_file(&to).expect("removed");
            }
            if from.exists() {
                fs::copy(from, to).expect("copied");
            }
        }
        self.start();
    }
}

fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("a folder");
    for entry in fs::read_dir(from).expect("a folder") {
        let (from, name) = entry.map(|e| (e.path(), e.file_name())).expect("an entry");
        let to = to.join(&name);
        if from.is_dir() {
            copy_tree(&from, &to);
        } else if !name.to_string_lossy().ends_with("-shm") {
            fs::copy(&from, &to).expect("copied");
        }
    }
}

impl Site for FolderSite {
    fn desk(&self) -> &dyn Desk {
        &self.live.as_ref().expect("it runs").1
    }

    fn device(&self) -> DeviceId {
        self.home.key().id()
    }

    fn set_clock(&mut self, now: UtcMillis) {
        self.clock = now;
    }

    fn clock(&self) -> UtcMillis {
        wall_clock()
    }

    fn append(&mut self, ops: Vec<Op>, legs: &[PackedLeg]) {
        let now = self.clock;
        self.store_mut().append(vec![ops], legs, now).expect("written");
    }

    fn append_newer(&mut self, _: &mut Dice) -> bool {
        false
    }

    fn invite(&mut self, role: Role, _: UtcMillis, _: [u8; 32]) -> Ticket {
        let (store, ..) = self.live.as_mut().expect("it runs");
        let text = invite(&self.home, store, role, 1000 * DAY, Vec::new(), wall_clock()).expect("an invite");
        Ticket { survey: self.survey, one_time: text.one_time, text: Some(text) }
    }

    fn join(&mut self, ticket: &Ticket) {
        let text = ticket.text.as_ref().expect("an invite of a folder");
        join(&self.home, text, wall_clock()).expect("joined");
    }

    fn counting(&self) -> BTreeSet<EntryId> {
        self.store().places().expect("reads").into_iter().map(|p| p.id).collect()
    }

    fn held(&self) -> BTreeSet<EntryId> {
        let db = &self.live.as_ref().expect("it runs").2;
        let mut q = db.prepare_cached("SELECT id FROM entry UNION SELECT id FROM masked").expect("a query");
        let ids = q.query_map([], |r| r.get(0).map(EntryId)).expect("reads");
        ids.collect::<Result<_, _>>().expect("reads")
    }

    fn entries(&self) -> Vec<Entry> {
        let held = self.held();
        let mut read = self.read.borrow_mut();
        let (store, _, db) = self.live.as_ref().expect("it runs");
        for id in held.iter().filter(|id| !read.contains_key(*id)).collect::<Vec<_>>() {
            let query = "SELECT bytes FROM entry WHERE id = ?1 UNION SELECT bytes FROM masked WHERE id = ?1";
            let bytes: Vec<u8> = db.query_row(query, [id.0], |r| r.get(0)).expect("reads");
            let entry = Entry::open(&bytes, &self.survey, |_| true, store.limits()).expect("a whole entry");
            read.insert(*id, entry);
        }
        held.iter().filter_map(|id| read.get(id).cloned()).collect()
    }

    fn strips(&self) -> BTreeSet<StripDigest> {
        // What only masked entries name is kept apart; it is as durable, and not lost by a keeper's word.
        let db = &self.live.as_ref().expect("it runs").2;
        let mut q = db.prepare_cached("SELECT digest FROM strip_aside").expect("a query");
        let aside = q.query_map([], |r| r.get(0).map(StripDigest)).expect("reads");
        let in_force = self.store().strip_digests().expect("reads");
        in_force.into_iter().map(Ok).chain(aside).collect::<Result<_, _>>().expect("reads")
    }

    fn crew(&self) -> Crew {
        self.store().crew().expect("reads")
    }

    fn have(&self) -> Have {
        self.store().have().expect("reads")
    }

    fn reading(&self) -> Reading {
        let store = self.store();
        let tiles = store.tiles().expect("reads").into_iter();
        Reading {
            digest: store.entries_digest().expect("reads"),
            have: store.have().expect("reads"),
            members: self.crew().members().clone(),
            survey: store.survey_writes().expect("reads"),
            tiles: tiles.map(|t| (t, store.tile_strips(t).expect("reads"))).collect(),
        }
    }

    fn image(&mut self) -> Image {
        let to = self.folders.next();
        self.copy_files(&to);
        Image::Folder(to)
    }

    fn wear(&mut self, image: &Image) {
        let Image::Folder(from) = image else { panic!("an image of another kind of site") };
        self.put_files(from);
    }

    fn crash(&mut self) {
        let image = self.image();
        self.wear(&image);
    }

    /// The transaction is on its way into the log of SQLite when the machine stops: any number of its bytes are
    /// there, but not the last one.
    fn tear(&mut self, group: Question, dice: &mut Dice) {
        let length = |p: PathBuf| fs::metadata(p).map_or(0, |m| m.len());
        let before = length(self.file("-wal"));
        self.desk().answer(group).expect("stored");
        let after = length(self.file("-wal"));
        let to = self.folders.next();
        self.copy_files(&to);
        if after > before {
            let cut = before + dice.below((after - before) as usize) as u64;
            let wal = fs::OpenOptions::new().write(true).open(to.join("store-wal")).expect("opens");
            wal.set_len(cut).expect("cut");
        }
        self.put_files(&to);
    }

    fn fork(&mut self, _: &mut Dice) -> Box<dyn Site> {
        let to = self.folders.next();
        copy_tree(&self.root, &to);
        Box::new(Self::open(self.folders.clone(), to, self.survey))
    }
}
