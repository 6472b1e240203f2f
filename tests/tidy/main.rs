//! House rules as tests: crate edges, what may not be linked, what a pure package may not touch, file shape.

mod edges;
mod files;
