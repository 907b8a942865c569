//! The server of phones, over real TLS on loopback: who is let in, what is taken, and what an attacker gets.

mod attackers;
mod door;
mod phone;
