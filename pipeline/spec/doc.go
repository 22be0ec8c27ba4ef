// Package spec reads the files people write for discsafe, strictly, and
// explains them. A plain Go struct with tags is the single source of what a
// file may hold: Decode reads YAML or JSON into it and returns every fault at
// once with line, column and a suggestion; SetDefaults fills it; Validate
// checks it in memory; Schema and Doc publish it as JSON Schema and as a
// table.
//
// The tags:
//
//	json     name of the field in the file; "-" leaves it out
//	doc      meaning, one line
//	unit     unit of a number
//	min max  inclusive range of a number, or of each number of a list
//	default  value when the field is left out; lists are comma separated
//	enum     comma separated list of the only values allowed
//	source   where range or default comes from
//	need     "true" when the field may not be left out
//	len      greatest number of characters of a text
//	items    least and greatest number of list items, "1-40"
//
// A pointer is optional: nil when left out, blank or null. Structs nest; lists
// hold numbers, texts or structs. A type written in more than one form (a word
// or a mapping) implements Custom.
//
// The package knows nothing of sides, rooms or sound; entry point: Decode.
package spec
