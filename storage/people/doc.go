// Package people holds who works with a program: people, how they sign in, how
// their phones get a token, and what they did.
//
// A person is a row; every token and every browser's session hangs on one, and
// so does every entry and every line of the audit. What lets somebody in (a
// link for one use, a code for a phone, a session) is stored as its SHA-256
// alone, a password as argon2id. What is refused tells nobody whether the name
// or the password was wrong, whether a link was used or never made.
package people
