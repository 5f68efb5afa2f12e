//! signal
