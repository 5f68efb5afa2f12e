//! A growing file, read on from where it was left. Never held open: whoever writes it may rename or replace it at any time.

use std::fs::File;
use std::io::{self, Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use jiff::{SignedDuration, Timestamp};

use crate::outside;

/// So much is read at once, bytes.
const PIECE: u64 = 1024 * 1024;
/// Of a longer file only its head (for the header) and so many last bytes are read: more than a week of a reading each second.
const LONGEST: u64 = 64 * 1024 * 1024;
/// The head that is read of such a file, bytes.
const HEAD: u64 = 16 * 1024;
/// Zeros with text behind them are damage once they have been there for so long, and until then a write that is not done.
const HEALS: SignedDuration = SignedDuration::from_secs(5);
/// Bytes before the place that was reached: they show that the file is still the same one.
const MARK: usize = 32;

/// What a look brought.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Piece {
    /// The file was replaced or cut short: these bytes are its first.
    pub anew: bool,
    /// The next bytes.
    pub bytes: Vec<u8>,
    /// When it was written last.
    pub written: Timestamp,
    /// More lies behind them.
    pub more: bool,
}

/// A file and how far it has been read.
#[derive(Debug)]
pub struct Tail {
    path: PathBuf,
    offset: u64,
    identity: Option<(u64, u64)>,
    mark: Vec<u8>,
    /// Of a long file: where reading goes on after its head.
    skip_to: Option<u64>,
    /// Zeros with text behind them: where they begin, and when the file had been written when they were first seen.
    hole: Option<(u64, Timestamp)>,
}

impl Tail {
    /// A file of which nothing has been read; it need not be there yet.
    pub fn new(path: &Path) -> Tail {
        Tail {
            path: path.to_owned(),
            offset: 0,
            identity: None,
            mark: Vec::new(),
            skip_to: None,
            hole: None,
        }
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The next piece; `None` where nothing new is there, or no file. `nul_is_text`: the file has characters of two bytes;
    /// else a NUL byte begins space that is reserved and not written yet, or damage where text stays behind it: the line that it
    /// cuts is left out then.
    ///
    /// # Errors
    /// When the file is there and cannot be read.
    pub fn look(&mut self, nul_is_text: bool) -> io::Result<Option<Piece>> {
        let meta = match outside::disk("look at", &self.path)
            .and_then(|()| std::fs::metadata(&self.path))
        {
            Ok(meta) => meta,
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error),
        };
        if !meta.is_file() {
            return Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                "found a folder or a device, expected a file",
            ));
        }
        let same = self.identity == Some(outside::identity(&meta));
        if same && meta.len() == self.offset {
            return Ok(None);
        }
        outside::disk("read", &self.path)?;
        let mut file = File::open(&self.path)?;
        // Between the two calls it may have been replaced.
        let meta = file.metadata()?;
        let known = self.identity.is_some();
        let goes_on = self.identity == Some(outside::identity(&meta))
            && meta.len() >= self.offset
            && self.is_marked(&mut file)?;
        let anew = known && !goes_on;
        if !goes_on {
            *self = Tail::new(&self.path);
            self.identity = Some(outside::identity(&meta));
            if meta.len() > LONGEST {
                self.skip_to = Some(meta.len() - LONGEST);
            }
        }
        let written = Timestamp::try_from(meta.modified()?).unwrap_or(Timestamp::UNIX_EPOCH);
        let before = self.offset;
        let bytes = self.read(&mut file, nul_is_text, written)?;
        if self.offset == before && !anew {
            return Ok(None);
        }
        let more = self.skip_to.is_some() || (self.offset > before && meta.len() > self.offset);
        Ok(Some(Piece {
            anew,
            bytes,
            written,
            more,
        }))
    }

    fn is_marked(&self, file: &mut File) -> io::Result<bool> {
        let mut there = vec![0; self.mark.len()];
        file.seek(SeekFrom::Start(self.offset - self.mark.len() as u64))?;
        match file.read_exact(&mut there) {
            Ok(()) => Ok(there == self.mark),
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
            Err(error) => Err(error),
        }
    }

    fn read(
        &mut self,
        file: &mut File,
        nul_is_text: bool,
        written: Timestamp,
    ) -> io::Result<Vec<u8>> {
        let most = match self.skip_to {
            Some(_) if self.offset == 0 => HEAD,
            Some(to) => {
                // The first line there is cut in two: no reader takes half of one for a row of the header's width and time.
                self.offset = to;
                self.skip_to = None;
                self.mark.clear();
                PIECE
            }
            None => PIECE,
        };
        file.seek(SeekFrom::Start(self.offset))?;
        let mut bytes = Vec::new();
        file.by_ref().take(most).read_to_end(&mut bytes)?;
        if self.skip_to.is_some() {
            let line = memchr::memrchr(b'\n', &bytes).map_or(0, |n| n + 1);
            bytes.truncate(line);
        }
        if nul_is_text || is_wide(&bytes, self.offset) {
            self.go_on(&bytes);
            return Ok(bytes);
        }
        let text = memchr::memchr(0, &bytes).unwrap_or(bytes.len());
        let behind = bytes.split_off(text);
        self.go_on(&bytes);
        if !behind.is_empty()
            && let Some(to) = self.behind_damage(file, written)?
        {
            self.skip_to_text(to);
            // Nobody knows how the line went on that they cut.
            bytes.truncate(memchr::memrchr(b'\n', &bytes).map_or(0, |n| n + 1));
        }
        Ok(bytes)
    }

    /// These bytes of the file have been read.
    fn go_on(&mut self, bytes: &[u8]) {
        self.offset += bytes.len() as u64;
        let mut mark = std::mem::take(&mut self.mark);
        mark.extend_from_slice(bytes);
        self.mark = mark.split_off(mark.len().saturating_sub(MARK));
    }

    /// Where text stands behind the zeros that begin at the place that was reached, if that has been so for a while.
    fn behind_damage(&mut self, file: &mut File, written: Timestamp) -> io::Result<Option<u64>> {
        let Some(to) = first_text(file, self.offset)? else {
            self.hole = None;
            return Ok(None);
        };
        let (at, since) = *self.hole.get_or_insert((self.offset, written));
        if at != self.offset {
            self.hole = Some((self.offset, written));
            return Ok(None);
        }
        let long = |from: Timestamp, to: Timestamp| to.duration_since(from) >= HEALS;
        let stays = long(since, written) || long(written, outside::wall());
        Ok(stays.then_some(to))
    }

    /// Goes on at the first text behind the zeros.
    fn skip_to_text(&mut self, to: u64) {
        let length = usize::try_from(to - self.offset).unwrap_or(usize::MAX);
        tracing::warn!(path = %self.path.display(), bytes = length, "zeros in the midst of a log: they are passed over, with the line that they cut");
        self.go_on(&vec![0; length.min(MARK)]);
        self.offset = to;
        self.hole = None;
    }
}

/// Where the first byte that is not zero stands, from here on.
fn first_text(file: &mut File, from: u64) -> io::Result<Option<u64>> {
    file.seek(SeekFrom::Start(from))?;
    let mut at = from;
    let mut piece = vec![0; 64 * 1024];
    loop {
        let length = file.read(&mut piece)?;
        let read = piece.get(..length).unwrap_or_default();
        if read.is_empty() {
            return Ok(None);
        }
        if let Some(n) = read.iter().position(|b| *b != 0) {
            return Ok(Some(at + n as u64));
        }
        at += length as u64;
    }
}

/// The first bytes of a text whose characters have two bytes each.
fn is_wide(bytes: &[u8], offset: u64) -> bool {
    offset == 0
        && (matches!(bytes, [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..])
            || matches!(bytes, [a, 0, b, 0, ..] | [0, a, 0, b, ..] if *a != 0 && *b != 0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write as _;
    use std::time::{Duration, SystemTime};

    fn text(tail: &mut Tail) -> Option<(bool, String)> {
        let piece = tail.look(false).unwrap()?;
        Some((piece.anew, String::from_utf8(piece.bytes).unwrap()))
    }

    fn append(path: &Path, text: &str) {
        let mut file = File::options()
            .append(true)
            .create(true)
            .open(path)
            .unwrap();
        file.write_all(text.as_bytes()).unwrap();
    }

    #[test]
    fn it_goes_on_where_it_was_and_begins_anew_where_the_file_does() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pressure.csv");
        let mut tail = Tail::new(&path);
        assert_eq!(text(&mut tail), None, "not there yet");
        append(&path, "time,mpa\n1,4.2\n");
        assert_eq!(
            text(&mut tail),
            Some((false, "time,mpa\n1,4.2\n".to_owned()))
        );
        assert_eq!(text(&mut tail), None);
        append(&path, "2,4.");
        assert_eq!(text(&mut tail), Some((false, "2,4.".to_owned())));
        append(&path, "3\n");
        assert_eq!(text(&mut tail), Some((false, "3\n".to_owned())));
        // Cut short in place.
        std::fs::write(&path, "time,mpa\n").unwrap();
        assert_eq!(text(&mut tail), Some((true, "time,mpa\n".to_owned())));
        // Renamed, and a new file in its place that is longer at once.
        append(&path, "1,4.2\n");
        text(&mut tail);
        std::fs::rename(&path, folder.path().join("pressure.1")).unwrap();
        append(&path, "time,mpa\n9,4.9\n10,5.0\n11,5.1\n");
        assert!(text(&mut tail).unwrap().0);
        // Written over in place with something longer.
        std::fs::write(&path, "other,mpa\n9,4.9\n10,5.0\n11,5.1\n12,5.2\n").unwrap();
        assert_eq!(
            text(&mut tail).map(|(anew, t)| (anew, t.len())),
            Some((true, 37))
        );
        // Away, and back.
        std::fs::remove_file(&path).unwrap();
        assert_eq!(text(&mut tail), None);
        append(&path, "x\n");
        assert_eq!(text(&mut tail), Some((true, "x\n".to_owned())));
    }

    #[test]
    fn reserved_space_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pressure.csv");
        let mut tail = Tail::new(&path);
        std::fs::write(&path, b"a,b\n1,2\n\0\0\0\0\0\0\0\0").unwrap();
        assert_eq!(text(&mut tail), Some((false, "a,b\n1,2\n".to_owned())));
        assert_eq!(text(&mut tail), None);
        let mut file = File::options().write(true).open(&path).unwrap();
        file.seek(SeekFrom::Start(8)).unwrap();
        file.write_all(b"3,4\n").unwrap();
        assert_eq!(text(&mut tail), Some((false, "3,4\n".to_owned())));
    }

    #[test]
    fn zeros_in_the_midst_are_passed_over_once_they_stay() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pressure.csv");
        let zeros = "\0".repeat(3 * 1024 * 1024);
        std::fs::write(&path, format!("a,b\n1,2\n3,{zeros}5,6\n")).unwrap();
        let mut tail = Tail::new(&path);
        // It may still be filled.
        assert_eq!(text(&mut tail), Some((false, "a,b\n1,2\n3,".to_owned())));
        assert_eq!(text(&mut tail), None);
        append(&path, "7,8\n");
        assert_eq!(text(&mut tail), None);
        let file = File::options().write(true).open(&path).unwrap();
        let heals = Duration::from_secs(HEALS.as_secs().unsigned_abs());
        let later = SystemTime::now() + heals;
        file.set_modified(later).unwrap();
        let mut all = String::new();
        while let Some((anew, more)) = text(&mut tail) {
            assert!(!anew);
            all.push_str(&more);
        }
        assert_eq!(all, "5,6\n7,8\n");
        append(&path, "9,9\n");
        assert_eq!(text(&mut tail), Some((false, "9,9\n".to_owned())));
        // A file that nobody writes any more is read at once; the line that was cut is left out.
        std::fs::write(&path, "a,b\n1,2\n3,\0\0\x005,6\n").unwrap();
        let file = File::options().write(true).open(&path).unwrap();
        file.set_modified(SystemTime::now() - 2 * heals).unwrap();
        let mut tail = Tail::new(&path);
        let mut all = String::new();
        while let Some((_, more)) = text(&mut tail) {
            all.push_str(&more);
        }
        assert_eq!(all, "a,b\n1,2\n5,6\n");
    }

    #[test]
    fn of_a_very_long_file_the_head_and_the_end_are_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pressure.csv");
        let line = "2026-09-21T18:00:00Z,4.200\n";
        let count = LONGEST as usize / line.len() + 5000;
        std::fs::write(&path, format!("time,mpa\n{}", line.repeat(count))).unwrap();
        let mut tail = Tail::new(&path);
        let head = tail.look(false).unwrap().unwrap();
        assert!(head.bytes.starts_with(b"time,mpa\n") && head.bytes.ends_with(b"\n") && head.more);
        let mut total = head.bytes.len() as u64;
        while let Some(piece) = tail.look(false).unwrap() {
            total += piece.bytes.len() as u64;
            if !piece.more {
                break;
            }
        }
        assert!((LONGEST..LONGEST + HEAD + 1).contains(&total), "{total}");
        assert_eq!(tail.look(false).unwrap(), None);
    }

    #[test]
    fn a_folder_in_its_place_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        assert!(Tail::new(folder.path()).look(false).is_err());
    }
}
