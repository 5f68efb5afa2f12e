//! `summary.txt`.
