//! The decoding process alone, for the tests of this crate; the program re-executes itself.

fn main() -> std::process::ExitCode {
    nightloom_raster::child_main()
}
