//! The page: a server in the program's own binary, and what a browser shows of it.
