//! What the fuzz targets share.

mod bodies;

pub use bodies::*;
