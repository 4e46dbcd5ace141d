// Package cluster gets a Postgres for a run that brings none: the demo and
// the tests. It tries, in this order,
//
//  1. an address that was given: a database of the run's own is made there
//     and dropped at the end;
//  2. Postgres programs on this machine: a private cluster in a folder of its
//     own, on the loopback address, with a random password;
//  3. a container, by the docker command line;
//  4. a pinned archive of Postgres programs: it is fetched once, held to its
//     SHA-256 before anything is unpacked, and kept in the user's cache folder
//     (root's is /var/cache, since the server runs as somebody else). Then as 2.
//
// Where there is none of the four, one line says what was looked for and what
// to install. Postgres 15 is the oldest that is taken.
//
// The one idea is that nothing stays behind. Stop ends the server and removes
// the folder. A run that could not stop (kill -9, power) leaves a folder whose
// lock nobody holds; the next Start ends what still runs there, after checking
// that it is the server of that folder, and removes it. The folder of a run
// that lives is locked and is never touched.
//
// It refuses an address that is not a URL, a server older than 15, and a
// folder to keep that another run is using. It runs on Linux and macOS.
package cluster
