// Package pages are the doors for people under /staff: the same program, for
// those who look rather than query.
//
// A page is a row in the table of routes and a function of a Visit that gives a
// Page: title, sentence, moment, rows, and the name of a template with its
// content. What it shows it asks of the API itself (Visit.Get, Visit.Send), in
// the name of whoever is signed in, through the same checks and handlers as a
// program would: so no page shows a figure that the API cannot return, and no
// role sees more here than there.
//
// A page works without a script, on a phone and on paper. A form carries a
// token that only its own session can know; nothing is changed by a GET. Words
// are those of the trade; what went wrong is told with what to do about it.
//
// To add one: its row in routes of pages.go, its function in the file of its
// subject, its template in templates/. Forms begin with {{template "form" .}}.
package pages
