//! quant
