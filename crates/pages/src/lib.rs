//! The outing as pages in a browser, and the field sheet as a page and on paper. Computes nothing.
//!
//! [`serve`] shows an outing's folder from this machine to this machine; what is shown is asked of the [`Program`] the
//! pages are part of, in its commands' own words. [`sheet`] shows a field sheet's content.

mod program;
mod serve;
pub mod sheet;

pub use program::{Chart, Drawing, Program, Question, Refused};
pub use serve::{AddressError, ServeError, ServeOptions, serve};
