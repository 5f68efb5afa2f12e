//! tell
