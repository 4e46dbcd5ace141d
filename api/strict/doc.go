// Package strict reads the fields of what goes over the wire from the structs
// that hold it: from them the contract is made and requests are judged, so that
// a field is stated once.
//
// A field says all of itself:
//
//	// Height of the soil below the wrap in in.
//	CrawlHeightIn *float64 `json:"crawl_height_in,omitzero" validate:"omitempty,gte=0,lte=240" step:"1"`
//
//	json      the name on the wire, which ends in its unit; omitzero makes it optional
//	validate  what it may be, in the words of go-playground/validator:
//	          gte gt lte lt        of numbers
//	          min max              characters of a text, items of a list, members of a map
//	          oneof=a b            a closed list without a type of its own; a named type
//	                               of text is the list of its constants
//	          snake                a word of lower-case letters, digits and underscores
//	          sha256               64 hexadecimal digits
//	          unique               no item twice
//	          dive                 what follows is of each item
//	          keys … endkeys       what stands between is of each name of a map
//	          required_with=A B    needed as soon as one of the others stands
//	          required_without=A B needed when none of the others stands
//	          omitempty            optional, also of a field that answers always have
//	          All other words need two fields; package wire judges them.
//	step      the reading step of the instrument; told, not enforced
//	text      "free": people write sentences here, which may name a resident
//	nottold   the roles whose answers lack it
//	set       "office": the agency's staff set it; a crew neither changes nor erases it
//	default   what counts where nothing is sent, which makes it optional
//	format pattern   of texts in answers
//	since     the revision of the contract that brought the field, from 2 on
//	unlike    the code of a fault where a text is none of its closed list; not_in_list without
//	schema    of raw JSON, the component of the contract that it holds
//
// The description is the Go comment, of a type its first paragraph.
package strict
