//! Recording from real sockets, pipes, files and a pseudo-terminal: the legs are those of the log imported as a file.

mod faults;
mod kill;
mod kinds;
mod live;
mod load;
mod page;
mod sources;
