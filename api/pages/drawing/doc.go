// Package drawing draws a home from the records of a job: a plan seen from
// above, to scale, with what was found, opened and repaired, and each finding
// as a numbered flag on its part.
//
// Places are in ft along a section, from the end that the crew calls front, the
// same for all sections. A part without a place stands evenly between its
// neighbors, and the drawing says so. Sections stand above each other, A first.
//
// A Plan is plain data made of records by Of. It is drawn twice: as SVG by a
// template, and as sentences, section by section, for whoever cannot see it.
// Every state differs in form; color only helps. Nothing is drawn that no
// record says: a part without a state is drawn as not known.
package drawing
