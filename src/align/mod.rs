//! Bracket -> bracket in register.
