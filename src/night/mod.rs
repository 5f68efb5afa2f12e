//! night
