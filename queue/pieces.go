package queue

// NextNumber is the number that the next piece gets: the lowest that no held
// piece of its part has, but for the other sections of the same way, with which
// it makes one piece.
func NextNumber(held []Piece, wayID int64, section int) int {
	taken := map[int]bool{}
	for i := range held {
		if c := &held[i]; c.WayID != wayID || c.Section == section {
			taken[c.Number] = true
		}
	}
	for n := 1; ; n++ {
		if !taken[n] {
			return n
		}
	}
}

// Alike says whether the pieces are all of one part and section, so that a count
// says as much as a list.
func Alike(list []Piece) bool {
	for i := range list {
		if list[i].PartID != list[0].PartID || list[i].WayID != list[0].WayID || list[i].Section != list[0].Section {
			return false
		}
	}
	return true
}
