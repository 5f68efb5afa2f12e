//! quant

pub mod matching;
