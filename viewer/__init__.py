"""The viewer: everything that is shown, in one browser page. It computes nothing itself."""
