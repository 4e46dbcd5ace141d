package docs

// Moves are how a job goes from state to state, and who moves it: the crew, the
// office by a version of the job, or the office by a review. A test holds them to
// what the service takes.
var Moves = []Move{
	{"assigned", "in_work", "crew"}, {"assigned", "sent_in", "crew"}, {"in_work", "sent_in", "crew"}, {"returned", "in_work", "crew"}, {"returned", "sent_in", "crew"},
	{"in_work", "assigned", "staff"}, {"returned", "assigned", "staff"},
	{"sent_in", "accepted", "accept"}, {"sent_in", "returned", "return"},
	{"assigned", "deferred", "defer"}, {"in_work", "deferred", "defer"}, {"sent_in", "deferred", "defer"}, {"returned", "deferred", "defer"},
	{"accepted", "returned", "reopen"}, {"deferred", "returned", "reopen"},
}

// A Move is one of them. By is crew, staff, or the decision of a review.
type Move struct{ From, To, By string }

// By who a move is made, in words.
func (m Move) Who() string {
	switch m.By {
	case "crew":
		return "the crew, by the job's next version"
	case "staff":
		return "staff, by the job's next version"
	}
	return "staff, by a review: " + m.By
}

// place is where a state stands in the picture, by its middle.
type place struct {
	State string
	X, Y  int
}

// statePlaces are from left to right as a job goes.
var statePlaces = []place{{"assigned", 80, 60}, {"in_work", 270, 60}, {"sent_in", 460, 60}, {"accepted", 650, 60}, {"returned", 460, 190}, {"deferred", 650, 190}}

// arrow is a drawn move. Where a move has one in the other direction, both are
// drawn beside each other; those over the heads of others are bent.
type arrow struct {
	Path, By string
	X, Y     int // of its word
}

// moves is the picture. The four moves that defer are one arrow: any open job
// may be deferred.
type movesPicture struct {
	States []place
	Arrows []arrow
	Moves  []Move
}

func pictureOfMoves() movesPicture {
	return movesPicture{States: statePlaces, Moves: Moves, Arrows: []arrow{
		{"M135 52 H214", "crew", 175, 44},
		{"M214 70 H136", "staff", 175, 88},
		{"M325 60 H404", "crew", 365, 50},
		{"M80 38 C120 0 420 0 455 36", "crew", 270, 4},
		{"M515 60 H594", "accept", 555, 50},
		{"M448 82 V166", "return", 418, 126},
		{"M472 168 V84", "crew", 496, 126},
		{"M405 182 L292 84", "crew", 326, 140},
		{"M405 198 C200 210 90 160 82 84", "staff", 190, 196},
		{"M640 82 L512 172", "reopen", 600, 128},
		{"M595 198 H516", "reopen", 556, 218},
		{"M516 184 H594", "defer any open job", 556, 176},
	}}
}
