//! Which part is it, how sure, and which test next: from readings to suspects, over plain data.
//!
//! [`prepare`] fills a [`Bank`] from a bench sheet: for every fault at every severity the mean of all tests and their
//! covariance over the tolerances. Nothing else in here knows of circuits. A [`Session`] takes readings and gives an
//! [`Answer`].
//!
//! Synthetic likelihood: Wood, Nature 466 (2010) 1102. Fault dictionaries with tolerances: Starzyk et al., IEEE Trans.
//! Instrum. Meas. 53 (2004) 754. Sequential diagnosis: de Kleer and Williams, Artif. Intell. 32 (1987) 97; Pattipati and
//! Alexandridis, IEEE Trans. Syst. Man Cybern. 20 (1990) 872.

mod bank;
mod conversation;
mod coordinates;
mod cost;
mod draw;
mod inseparable;
pub mod misfit;
mod next;
pub mod normal;
mod other;
mod outcome;
pub mod prepare;
mod refine;
mod replacement;
mod session;
mod update;
mod verdict;

pub use bank::{Bank, BankBuilder, BankError, Component, Hypothesis, HypothesisIndex, PartIndex, Test, TestIndex};
pub use conversation::{Conversation, Reply};
pub use coordinates::{Observed, Scale, Word};
pub use cost::{Act, Costs, Plan, Step, plan};
pub use draw::Draw;
pub use inseparable::{inseparable, mutual_posteriors};
pub use next::{Expectation, Proposal, Worth, next, worth};
pub use other::OtherSettings;
pub use refine::{Linearised, Refined, refine, share_out};
pub use replacement::Outcome;
pub use session::{Answer, Explained, Session, SessionError};
pub use update::{Posterior, Prediction, Reading};
pub use verdict::{KindOfFault, Severity, Suspect, Verdict, verdict};
