// Package card sorts what a morning's memory card holds: rows, focus brackets,
// rows of brackets, exposure variants, repeats and single frames.
//
// [Sort] looks at every photograph at reduced size once and compares those that
// follow each other. Two that show the same view are told apart by what changed
// between them, the sharpness or the exposure; two that overlap because the
// camera turned belong to a row. The metadata, where there are any, give the
// order and the pauses; without them the numbers in the names do, and the
// pictures. [Lay] puts each set into a folder of its own; it copies or links,
// and never moves, deletes or replaces a file.
//
//	res, err := card.Sort(ctx, []string{"/media/card/DCIM"}, card.Options{})
//	for _, s := range res.Sets { fmt.Println(s.Name, s.Kind, len(s.Positions)) }
//
// Sources: the acceptance of a pair follows Brown & Lowe, IJCV 74(1), 2007; the
// comparison of views is a normalised cross-correlation (Lewis, "Fast
// Normalized Cross-Correlation", Vision Interface 1995) of locally normalised
// pictures; the names of a card's folders and files are those of DCF (JEITA
// CP-3461): four digits that start again behind 9999.
package card
