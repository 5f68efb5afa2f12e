//! rehearsal
