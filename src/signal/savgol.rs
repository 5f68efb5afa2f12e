//! Savitzky-Golay filters: least-squares polynomials over a sliding window.
//!
//! Source: A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627, with the corrections of J. Steinier et al.,
//! Anal. Chem. 44 (1972) 1906 (from memory; weights recomputed).

/// Weights of a window of `2 * half + 1` points, left to right, for unit spacing.
///
/// `degree` of the polynomial, at most 5 and below the number of points; `derivative` 0, 1 or 2 (at most `degree`).
/// Outside these bounds the weights are those of the point itself.
pub fn weights(half: usize, degree: usize, derivative: usize) -> Vec<f64> {
    let points = 2 * half + 1;
    if degree > 5 || degree >= points || derivative > degree.min(2) {
        let mut own = vec![0.0; points];
        own[half] = 1.0;
        return own;
    }
    // Scaled places keep the normal equations well conditioned.
    let scale = half.max(1) as f64;
    let place = |i: usize| (i as f64 - half as f64) / scale;
    let terms = degree + 1;
    let mut normal = [[0.0; 7]; 6];
    for (r, row) in normal.iter_mut().enumerate().take(terms) {
        for (c, cell) in row.iter_mut().enumerate().take(terms) {
            *cell = (0..points).map(|i| place(i).powi((r + c) as i32)).sum();
        }
        row[6] = if r == derivative { 1.0 } else { 0.0 };
    }
    let Some(row) = solve(&mut normal, terms) else {
        return vec![0.0; points];
    };
    let factor = if derivative == 2 { 2.0 } else { 1.0 } / scale.powi(derivative as i32);
    (0..points)
        .map(|i| {
            factor
                * row
                    .iter()
                    .take(terms)
                    .enumerate()
                    .map(|(k, c)| c * place(i).powi(k as i32))
                    .sum::<f64>()
        })
        .collect()
}

/// Solves the symmetric system in the first `n` columns for the right side in column 6.
pub(crate) fn solve(a: &mut [[f64; 7]; 6], n: usize) -> Option<[f64; 6]> {
    for k in 0..n {
        let pivot = (k..n).max_by(|i, j| a[*i][k].abs().total_cmp(&a[*j][k].abs()))?;
        a.swap(k, pivot);
        if a[k][k].abs() < 1e-12 {
            return None;
        }
        for i in k + 1..n {
            let f = a[i][k] / a[k][k];
            let upper = a[k];
            for (x, u) in a[i].iter_mut().zip(upper).skip(k) {
                *x -= f * u;
            }
        }
    }
    let mut x = [0.0; 6];
    for k in (0..n).rev() {
        let known: f64 = (k + 1..n).map(|j| a[k][j] * x[j]).sum();
        x[k] = (a[k][6] - known) / a[k][k];
    }
    Some(x)
}

/// Runs symmetric smoothing weights over the values; near the ends the window shrinks to what fits.
pub fn smooth(values: &[f64], half: usize, degree: usize) -> Vec<f64> {
    let n = values.len();
    let mut out = values.to_vec();
    let w = weights(half, degree, 0);
    if n > 2 * half {
        for (window, o) in values.windows(2 * half + 1).zip(&mut out[half..]) {
            *o = window.iter().zip(&w).map(|(v, w)| v * w).sum();
        }
    }
    for i in (0..half.min(n)).filter(|i| 2 * i >= degree) {
        let w = weights(i, degree, 0);
        if 2 * i < n {
            out[i] = values[..=2 * i].iter().zip(&w).map(|(v, w)| v * w).sum();
            let j = n - 1 - i;
            out[j] = values[n - 1 - 2 * i..]
                .iter()
                .zip(&w)
                .map(|(v, w)| v * w)
                .sum();
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Savitzky and Golay 1964 with Steinier's corrections; from memory, recomputed.
    #[test]
    fn weights_are_those_of_the_published_tables() {
        let table = include_str!("../../tests/reference/savgol_coefficients.csv");
        let mut rows = 0;
        for line in table.lines().skip(1).filter(|l| !l.trim().is_empty()) {
            let f: Vec<&str> = line.split(',').collect();
            let (points, derivative, degree): (usize, usize, usize) = (
                f[1].parse().unwrap(),
                f[2].parse().unwrap(),
                f[3].parse().unwrap(),
            );
            let norm: f64 = f[4].parse().unwrap();
            let w = weights(points / 2, degree, derivative);
            for (w, k) in w.iter().zip(f[5].split_whitespace()) {
                let k: f64 = k.parse().unwrap();
                assert!(
                    (w - k / norm).abs() < 1e-9,
                    "{line}: {w} against {}",
                    k / norm
                );
            }
            assert_eq!(w.len(), f[5].split_whitespace().count());
            rows += 1;
        }
        assert!(rows >= 10);
    }

    #[test]
    fn a_parabola_passes_unchanged() {
        let y: Vec<f64> = (0..20)
            .map(|i| 1.0 + 0.5 * f64::from(i) - 0.1 * f64::from(i * i))
            .collect();
        for (a, b) in smooth(&y, 4, 2).iter().zip(&y) {
            assert!((a - b).abs() < 1e-9);
        }
        assert_eq!(smooth(&[1.0, 2.0], 3, 2), [1.0, 2.0]);
    }
}
