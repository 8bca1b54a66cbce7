//! A made-up disk that keeps what was synced, and of the rest nobody knows what.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use crate::dice::Dice;
use crate::steps::Step;

const SECTOR: usize = 512;

#[derive(Clone, Default)]
pub struct Disk {
    files: Vec<File>,
    /// Names as the process sees them, as they surely are, and what was asked since.
    names: BTreeMap<String, usize>,
    synced: BTreeMap<String, usize>,
    asked: Vec<Naming>,
    /// It only says that it synced.
    pub pretends: bool,
}

#[derive(Clone, Default)]
struct File {
    synced: Vec<u8>,
    asked: Vec<(usize, Asked)>,
}

#[derive(Clone)]
enum Asked {
    Write(Vec<u8>),
    Cut,
}

#[derive(Clone)]
enum Naming {
    Made(String, usize),
    Gone(String),
    Renamed(String, String),
}

impl Naming {
    fn on(&self, names: &mut BTreeMap<String, usize>) {
        match self {
            Naming::Made(name, file) => {
                names.insert(name.clone(), *file);
            }
            Naming::Gone(name) => {
                names.remove(name);
            }
            Naming::Renamed(from, to) => {
                if let Some(file) = names.remove(from) {
                    names.insert(to.clone(), file);
                }
            }
        }
    }
}

impl Disk {
    /// As a folder is, all of it synced.
    pub fn with(folder: &Path) -> Disk {
        let mut disk = Disk::default();
        for entry in fs::read_dir(folder).unwrap() {
            let entry = entry.unwrap();
            let name = entry.file_name().into_string().unwrap();
            let file = disk.file(&name);
            file.synced = fs::read(entry.path()).unwrap();
        }
        disk.synced = disk.names.clone();
        disk.asked.clear();
        disk
    }

    fn file(&mut self, name: &str) -> &mut File {
        let number = match self.names.get(name) {
            Some(number) => *number,
            None => {
                self.files.push(File::default());
                let number = self.files.len() - 1;
                self.name(Naming::Made(name.to_owned(), number));
                number
            }
        };
        &mut self.files[number]
    }

    fn name(&mut self, naming: Naming) {
        naming.on(&mut self.names);
        self.asked.push(naming);
    }

    pub fn take(&mut self, step: &Step) {
        match step {
            Step::Write { file, at, bytes } => {
                let asked = Asked::Write(bytes.clone());
                self.file(file).asked.push((*at, asked));
            }
            Step::Cut { file, length } => self.file(file).asked.push((*length, Asked::Cut)),
            Step::Sync { .. } | Step::SyncFolder if self.pretends => {}
            Step::Sync { file } => {
                let file = self.file(file);
                for (at, asked) in std::mem::take(&mut file.asked) {
                    asked.onto(&mut file.synced, at, &mut || true);
                }
            }
            Step::SyncFolder => {
                self.asked.clear();
                self.synced = self.names.clone();
            }
            Step::Open { file } => {
                self.file(file);
            }
            Step::Remove { file } => self.name(Naming::Gone(file.clone())),
            Step::Rename { from, to } => self.name(Naming::Renamed(from.clone(), to.clone())),
            Step::Noted(_) => {}
        }
    }

    /// Names that were asked for and are not there for sure.
    pub fn names_open(&self) -> u32 {
        self.asked.len() as u32
    }

    /// What is found when the power is back: of what was asked of a file all, nothing, whole requests
    /// or sectors of them; and of the names any, or those whose bit is set.
    pub fn after_a_cut(&self, folder: &Path, dice: &mut Dice, kept: Option<u32>) {
        let mut names = self.synced.clone();
        for (n, naming) in self.asked.iter().enumerate() {
            if kept.map_or_else(|| dice.coin(), |kept| kept >> n & 1 == 1) {
                naming.on(&mut names);
            }
        }
        for (name, number) in names {
            let file = &self.files[number];
            let mut bytes = file.synced.clone();
            let way = dice.below(4);
            for (at, asked) in &file.asked {
                let whole = dice.coin();
                asked.onto(&mut bytes, *at, &mut || match way {
                    0 => true,
                    1 => false,
                    2 => whole,
                    _ => dice.coin(),
                });
            }
            fs::write(folder.join(name), bytes).unwrap();
        }
    }
}

impl Asked {
    /// `keeps` says of each sector whether it got there.
    fn onto(&self, bytes: &mut Vec<u8>, at: usize, keeps: &mut dyn FnMut() -> bool) {
        let new = match self {
            Asked::Cut => {
                if keeps() {
                    bytes.resize(at, 0);
                }
                return;
            }
            Asked::Write(new) => new,
        };
        let mut from = at;
        while from < at + new.len() {
            let to = ((from / SECTOR + 1) * SECTOR).min(at + new.len());
            if keeps() {
                if bytes.len() < to {
                    bytes.resize(to, 0);
                }
                bytes[from..to].copy_from_slice(&new[from - at..to - at]);
            }
            from = to;
        }
    }
}
