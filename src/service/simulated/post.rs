//! The played post: it takes every letter, and the world decides what becomes of it.

use std::sync::{Arc, Mutex};

use crate::post::Letter;
use crate::post::worker::{Courier, Job};

/// How the mail server is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mood {
    Well,
    Slow,
    Busy,
    Refuses,
    Hangs,
}

/// A letter that went to the post.
pub(super) struct Posted {
    pub id: i64,
    pub carrier: String,
    pub letter: Letter,
    pub arrived: bool,
    /// The daemon that sent it.
    pub life: u32,
    /// Its fate is planned.
    pub planned: bool,
}

pub(super) type Post = Arc<Mutex<Vec<Posted>>>;

/// A courier who is one with the world.
pub(super) struct Hand(pub Post, pub u32);

impl Courier for Hand {
    fn send(&self, carrier: &str, job: Job) -> bool {
        let mut post = self.0.lock().unwrap();
        post.push(Posted {
            id: job.id,
            carrier: carrier.to_owned(),
            letter: job.letter,
            arrived: false,
            life: self.1,
            planned: false,
        });
        true
    }
}
