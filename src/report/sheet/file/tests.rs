use super::*;
use crate::night::fixture::{Night, mid, zone};
use crate::report::sheet::whole;

struct Desk {
    _folder: tempfile::TempDir,
    sheet: SheetFile,
}

impl Desk {
    fn new() -> Desk {
        let folder = tempfile::tempdir().unwrap();
        let sheet = SheetFile::new(folder.path().join("acids/crocks/sheet.csv"));
        Desk {
            _folder: folder,
            sheet,
        }
    }

    /// Updates and holds the file against what it should be.
    fn update(&mut self, night: &mut Night) -> Written {
        night.judged();
        let changes = night.changes.clone();
        let queue = night.queue();
        let written = self
            .sheet
            .update(queue, &changes.slots, changes.rebuilt, &zone())
            .unwrap();
        assert_eq!(
            fs::read_to_string(self.sheet.path()).unwrap(),
            whole(queue, &zone())
        );
        assert!(!self.sheet.is_behind());
        written
    }
}

#[test]
fn new_rows_are_appended_and_changed_ones_replace_the_file() {
    let (mut desk, mut night) = (Desk::new(), Night::new("PssPssP"));
    assert_eq!(desk.update(night.good(1)), Written::Whole);
    assert_eq!(desk.update(night.good(2)), Written::Appended);
    assert_eq!(desk.update(night.good(3)), Written::Appended);
    assert_eq!(
        desk.update(night.good(4)),
        Written::Whole,
        "the bracket's verdicts change"
    );
    assert_eq!(desk.update(night.good(6)), Written::Appended);
    assert_eq!(
        desk.update(night.good(5)),
        Written::Whole,
        "a late one belongs before rows that stand"
    );
    assert_eq!(desk.update(&mut night), Written::Nothing);
}

#[test]
fn a_large_file_is_overwritten_at_its_end_only() {
    let (mut desk, mut night) = (Desk::new(), Night::new("PssPssP"));
    desk.sheet.large = 0;
    for p in 1..=6 {
        desk.update(night.good(p));
    }
    assert_eq!(desk.update(night.land(7, mid(&[0.5, 1.0]))), Written::Tail);
    desk.sheet.tail = 100;
    assert_eq!(
        desk.update(night.land(7, mid(&[1.0, 1.0]))),
        Written::Whole,
        "too far back"
    );
}

#[test]
fn a_tail_that_shrinks_leaves_nothing_behind() {
    let (mut desk, mut night) = (Desk::new(), Night::new("PsP"));
    desk.sheet.large = 0;
    let mut long = mid(&[1.0, 1.0]);
    long.analytes[0].as_mut().unwrap().area_mau_s = 123_456_789.0;
    desk.update(night.good(1));
    desk.update(night.land(2, long));
    assert_eq!(desk.update(night.good(2)), Written::Tail);
}

#[test]
fn a_restart_writes_nothing_where_nothing_changed() {
    let (mut desk, mut night) = (Desk::new(), Night::new("PsP"));
    desk.update(night.good(1).good(2));
    let before = fs::metadata(desk.sheet.path()).unwrap().modified().unwrap();
    desk.sheet = SheetFile::new(desk.sheet.path().to_owned());
    assert_eq!(desk.update(&mut night), Written::Nothing);
    assert_eq!(
        fs::metadata(desk.sheet.path()).unwrap().modified().unwrap(),
        before
    );
}

#[test]
fn a_file_that_others_changed_or_removed_is_made_again() {
    let (mut desk, mut night) = (Desk::new(), Night::new("PssP"));
    desk.update(night.good(1));
    fs::write(desk.sheet.path(), "edited by hand").unwrap();
    assert_eq!(desk.update(night.good(2)), Written::Whole);
    fs::remove_file(desk.sheet.path()).unwrap();
    assert_eq!(desk.update(night.good(3)), Written::Whole);
}

#[test]
fn what_could_not_be_written_is_made_up_for() {
    let (mut desk, mut night) = (Desk::new(), Night::new("PssP"));
    desk.update(night.good(1));
    let path = desk.sheet.path().to_owned();
    // Something that is no file stands in its place: it can be neither appended to nor replaced.
    fs::remove_file(&path).unwrap();
    fs::create_dir(&path).unwrap();
    fs::write(path.join("x"), "").unwrap();
    night.good(2).judged();
    let changes = night.changes.clone();
    let error = desk
        .sheet
        .update(night.queue(), &changes.slots, changes.rebuilt, &zone())
        .unwrap_err();
    assert!(error.to_string().contains("sheet.csv"), "{error}");
    assert!(desk.sheet.is_behind());
    fs::remove_dir_all(&path).unwrap();
    let again = desk
        .sheet
        .update(night.queue(), &[], false, &zone())
        .unwrap();
    assert_eq!(again, Written::Whole);
    assert_eq!(
        fs::read_to_string(&path).unwrap(),
        whole(night.queue(), &zone())
    );
}

#[test]
fn any_order_of_landings_ends_in_the_same_bytes() {
    let orders: [&[usize]; 4] = [
        &[1, 2, 3, 4, 5, 6, 7],
        &[7, 6, 5, 4, 3, 2, 1],
        &[4, 1, 7, 2, 5, 3, 6],
        &[2, 2, 3, 1, 6, 5, 4, 7, 7],
    ];
    for large in [0, LARGE] {
        for order in orders {
            let (mut desk, mut night) = (Desk::new(), Night::new("PssPssP"));
            desk.sheet.large = large;
            for p in order {
                desk.update(night.good(*p));
            }
            desk.update(night.end());
        }
    }
}
