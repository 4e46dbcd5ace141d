// Package pack writes and checks the file that a funder gets every month: a
// zip that a person can read, a spreadsheet can open, stock tools can verify,
// and that says by itself whether it adds up.
//
// It knows tables, not the trade: what a job is, and what counts in a month,
// is decided elsewhere and arrives as rows. The one idea: everything that the
// file promises (types, keys, totals, the line from last month's figures to
// this month's) stands in the file in a form that a stranger can recompute,
// and Verify is that stranger. It reads nothing but the file.
//
// # Layout
//
// A BagIt bag (RFC 8493) in a zip, below one folder named as the file:
//
//	bagit.txt bag-info.txt README.txt      what it is, for machines and people
//	manifest-sha256.txt                    digests of everything below data/
//	tagmanifest-sha256.txt                 digests of everything else
//	tagmanifest-sha256.txt.sig             Ed25519, as ssh-keygen -Y verify reads it
//	data/datapackage.json                  schema (Frictionless Data Package v2)
//	data/….csv                             the tables, in the order given
//	data/control.csv                       control totals per file and column
//	view/….xlsx                            the same figures for reading only
//
// Control totals are a table of their own, and not properties in
// datapackage.json, so that whoever opens the folder in a spreadsheet can lay
// his own sums beside them.
//
// The workbook in view/ has a sheet for each of some short tables, and a front
// sheet of figures from them; of a table too long for a sheet it shows the
// totals. It is covered by the manifest like every other file. README.txt
// repeats some of the front sheet's figures as "label: value (file, row,
// column)"; the descriptor says where one moves the point, and Verify compares
// each with its cell.
//
// # Cells
//
// UTF-8 without a byte order mark, comma, CRLF, quotes doubled (RFC 4180); an
// empty cell is "unknown". A text has one line: a line break becomes a space.
// Numbers are decimal text with a fixed number of digits after the point;
// floats never enter, since a spreadsheet's sum must be ours to the last
// digit. A text cell that a spreadsheet would take for a formula gets one
// leading apostrophe (see Guard); reading takes exactly one away again.
//
// # Same rows, same bytes
//
// Members stand in a fixed order and carry the as-of time; nothing depends on
// the hour of the build. Deflate is the standard library's, so bytes are equal
// between builds with the same Go release; the content is equal between all.
//
// # Refusals
//
// The writer refuses a value that its column does not allow, and a table left
// out: half a package is no package.
// Verify returns an error only for what cannot be read (not a zip, truncated,
// encrypted, over its limits, not a package); all else is a Check that does not
// hold and names file, row and column.
//
// Without a signature anybody who knows this layout can make a file that
// holds; control totals find mistakes and hasty edits, the signature finds
// the rest.
package pack
