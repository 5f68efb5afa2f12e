//! Accuracy on made-up traces with known truth.

