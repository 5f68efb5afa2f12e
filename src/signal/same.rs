//! Functions of the platform's mathematics library differ in their last bit from processor to processor. Here they come
//! from a library in plain Rust: same bytes in, same numbers out, everywhere.

/// Elementary functions that are the same to the bit on every platform.
pub(crate) trait Same {
    /// e to this power.
    fn same_exp(self) -> f64;
    /// Natural logarithm.
    fn same_ln(self) -> f64;
    /// This to a power.
    fn same_powf(self, power: f64) -> f64;
}

impl Same for f64 {
    fn same_exp(self) -> f64 {
        libm::exp(self)
    }

    fn same_ln(self) -> f64 {
        libm::log(self)
    }

    fn same_powf(self, power: f64) -> f64 {
        libm::pow(self, power)
    }
}
