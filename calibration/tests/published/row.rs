//! One check row: a figure, where it is from, how sure it is, and what this package makes of it.

/// How a row's figure is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    /// Read at the source named.
    Seen,
    /// From general knowledge of the source named, which was not opened.
    FromMemory,
    /// Our own arithmetic by another program; no outside authority.
    OurComputation,
}

/// What the package must do with the figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    Reproduced,
    /// The figure is wrong or belongs to another rule: agreeing with it would be the mistake.
    NotReproduced,
}

pub struct Row {
    id: String,
    figure: f64,
    tolerance: f64,
    got: f64,
    verdict: Verdict,
    pub mark: Mark,
    source: &'static str,
}

impl Row {
    pub fn new(id: impl Into<String>, figure: f64, tolerance: f64, got: f64) -> Self {
        Self {
            id: id.into(),
            figure,
            tolerance,
            got,
            verdict: Verdict::Reproduced,
            mark: Mark::OurComputation,
            source: "adaptive quadrature or arithmetic in another program",
        }
    }

    pub fn seen(mut self, source: &'static str) -> Self {
        (self.mark, self.source) = (Mark::Seen, source);
        self
    }

    pub fn remembered(mut self, source: &'static str) -> Self {
        (self.mark, self.source) = (Mark::FromMemory, source);
        self
    }

    pub fn not_reproduced(mut self) -> Self {
        self.verdict = Verdict::NotReproduced;
        self
    }

    pub fn fault(&self) -> Option<String> {
        let agrees = (self.got - self.figure).abs() <= self.tolerance;
        let expected = self.verdict == Verdict::Reproduced;
        (agrees != expected).then(|| {
            format!(
                "{}: got {}, figure {} ± {} must be {:?} [{:?}: {}]",
                self.id,
                self.got,
                self.figure,
                self.tolerance,
                self.verdict,
                self.mark,
                self.source
            )
        })
    }
}
