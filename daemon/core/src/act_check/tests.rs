//! Every refusal by its code.
