//! What a person may order where automation errs: baseline styles, spans without peaks, forced bounds, fits.

/// How the baseline under touching peaks is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// From the lowest place before a peak straight to the one behind it.
    Valley,
    /// A vertical at the lowest place between neighbours, down to the common baseline; never a skim.
    Drop,
    /// A smaller peak behind a larger one is cut off along the larger one's tail.
    Skim,
}

/// A stretch of time that is treated differently.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// From, s.
    pub from_s: f64,
    /// To, s.
    pub to_s: f64,
    /// Peaks whose apex lies here are not reported. They still bound their neighbours and are no baseline.
    pub no_peaks: bool,
    /// How their baseline is drawn.
    pub baseline: Option<Style>,
}

/// What is ordered for the peak of one window. It goes before what a [`Span`] says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wish {
    /// Window of the apex, from, s.
    pub from_s: f64,
    /// Window of the apex, to, s.
    pub to_s: f64,
    /// How its baseline is drawn.
    pub baseline: Option<Style>,
    /// Integrated from here to there, s, whatever the flanks say.
    pub bounds_s: Option<[f64; 2]>,
    /// Its group is fitted.
    pub fit: bool,
}

/// Everything that is ordered; the default orders nothing.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Steering {
    /// By time.
    pub spans: Vec<Span>,
    /// By window.
    pub wishes: Vec<Wish>,
    /// Every group is fitted.
    pub fit_all: bool,
}

impl Steering {
    /// Style for a peak with this apex.
    pub(crate) fn style(&self, apex_s: f64) -> Option<Style> {
        let inside = |from: f64, to: f64| (from..=to).contains(&apex_s);
        let wish = self.wishes.iter().filter(|w| inside(w.from_s, w.to_s));
        let span = self.spans.iter().filter(|s| inside(s.from_s, s.to_s));
        wish.filter_map(|w| w.baseline)
            .chain(span.filter_map(|s| s.baseline))
            .next()
    }

    /// Whether a peak with this apex is reported.
    pub(crate) fn reports(&self, apex_s: f64) -> bool {
        !self
            .spans
            .iter()
            .any(|s| s.no_peaks && (s.from_s..=s.to_s).contains(&apex_s))
    }

    /// Whether a peak with this apex is to be fitted.
    pub(crate) fn fits(&self, apex_s: f64) -> bool {
        self.fit_all
            || self
                .wishes
                .iter()
                .any(|w| w.fit && (w.from_s..=w.to_s).contains(&apex_s))
    }
}
