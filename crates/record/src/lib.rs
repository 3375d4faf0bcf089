//! Live sources: sockets, serial ports, standard input, growing files, replay.
