//! Why a file did not become a frame.

use std::io;

use serde::{Deserialize, Serialize};

/// Why a file did not become a frame; each says what was found and what to do.
#[derive(Debug, thiserror::Error)]
pub enum DecodeError {
    /// The file is damaged, incomplete, or not what it claims to be.
    #[error("{0}")]
    Malformed(String),
    /// The file may be sound, but not of a kind that can be read here.
    #[error("{0}")]
    Unsupported(String),
    /// The file asks for more pixels, memory or time than allowed.
    #[error("{0}")]
    LimitExceeded(String),
    /// The system would not let the file be read, or the decoding process be run.
    #[error("{action}")]
    Io {
        /// What could not be done.
        action: &'static str,
        /// What the system said.
        source: io::Error,
    },
    /// The run was asked to stop.
    #[error("cancelled")]
    Cancelled,
}

/// The part of [`DecodeError`] that the child can report.
#[derive(Debug, Serialize, Deserialize)]
pub(super) enum Refusal {
    Malformed(String),
    Unsupported(String),
    LimitExceeded(String),
    Read(String),
}

impl Refusal {
    pub(super) fn malformed(reason: impl Into<String>) -> Self {
        Self::Malformed(reason.into())
    }

    pub(super) fn unsupported(reason: impl Into<String>) -> Self {
        Self::Unsupported(reason.into())
    }
}

impl From<Refusal> for DecodeError {
    fn from(refusal: Refusal) -> Self {
        match refusal {
            Refusal::Malformed(reason) => Self::Malformed(reason),
            Refusal::Unsupported(reason) => Self::Unsupported(reason),
            Refusal::LimitExceeded(reason) => Self::LimitExceeded(reason),
            Refusal::Read(reason) => Self::Io { action: "cannot read the file", source: io::Error::other(reason) },
        }
    }
}
