//! The program's front door.
fn main() {}
