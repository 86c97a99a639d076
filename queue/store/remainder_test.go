package store

import (
	"errors"
	"testing"

	"undercroft/fleet"
	"undercroft/queue"
)

// TestARemainderCountsOnceItIsJoined follows a wing that broke off: its remainder
// takes its place in what is wanted, and the piece counts when it is joined.
func TestARemainderCountsOnceItIsJoined(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	first := add(t, s, 1, 1)[0]
	clear(t, s, "Merel")
	st := start(t, s, first.ID, "Merel")
	if _, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: fleet.Failed, Cause: "link-lost", CompletedMM: 0.4}, To: queue.NeedsDecision}); err != nil {
		t.Fatal(err)
	}
	tally := func(done, wanted int) {
		t.Helper()
		got, err := s.Tally(ctx)
		if err != nil || got.PiecesDone != done || got.PiecesWanted != wanted {
			t.Fatalf("%d of %d pieces, %v; want %d of %d", got.PiecesDone, got.PiecesWanted, err, done, wanted)
		}
	}
	tally(0, 1)
	rest := *wing
	rest.SHA256, rest.HeightMM = "cd"+rest.SHA256[2:], 0.2
	jobs, err := s.Add(ctx, &rest, wingLayers[:1], []queue.Job{{State: queue.OnHold, FileName: "wing-above-0.40.gcode", Part: "wing", Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 1}})
	if err != nil {
		t.Fatal(err)
	}
	was, now, err := s.Remainder(ctx, first.ID, jobs[0].ID)
	if err != nil || was.State != queue.Cancelled || now.State != queue.Queued || now.RemainderOf != first.ID {
		t.Fatalf("%+v, %+v, %v", was, now, err)
	}
	if _, _, err := s.Remainder(ctx, first.ID, jobs[0].ID); !errors.Is(err, queue.ErrConflict) {
		t.Fatalf("a mishap is answered twice: %v", err)
	}
	if open, _ := s.Mishaps(ctx, false); len(open) != 0 {
		t.Fatalf("mishaps that are still open: %+v", open)
	}
	tally(0, 1)
	if _, err := s.Joined(ctx, now.ID, true); !errors.Is(err, queue.ErrConflict) {
		t.Fatalf("joined before it was printed: %v", err)
	}

	clear(t, s, "Bittern")
	st = start(t, s, now.ID, "Bittern")
	if _, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: fleet.Finished, CompletedMM: 0.2}, To: queue.AwaitsYield}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Joined(ctx, now.ID, true); !errors.Is(err, queue.ErrConflict) {
		t.Fatalf("joined while it lies on the plate: %v", err)
	}
	if _, err := s.Cleared(ctx, "Bittern", true, "", Yield{}); err != nil {
		t.Fatal(err)
	}
	waits, err := s.Job(ctx, now.ID)
	if err != nil || waits.State != queue.AwaitsYield || waits.Printer != "" {
		t.Fatalf("%+v, %v", waits, err)
	}
	tally(0, 1)
	// Another clearing of that printer has nothing to do with it.
	if _, err := s.Cleared(ctx, "Bittern", true, "", Yield{}); err != nil {
		t.Fatal(err)
	}
	tally(0, 1)
	done, err := s.Joined(ctx, now.ID, true)
	if err != nil || done.State != queue.Done || done.Good != 1 {
		t.Fatalf("%+v, %v", done, err)
	}
	tally(1, 1)
}

// TestAJointThatFailsIsAMishap: what did not hold needs a decision again.
func TestAJointThatFailsIsAMishap(t *testing.T) {
	s, _ := open(t, t.TempDir())
	defer s.Close()
	first := add(t, s, 1, 1)[0]
	clear(t, s, "Merel")
	st := start(t, s, first.ID, "Merel")
	if _, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: fleet.Failed, Cause: "stall"}, To: queue.NeedsDecision}); err != nil {
		t.Fatal(err)
	}
	jobs, err := s.Add(ctx, wing, wingLayers, []queue.Job{{State: queue.OnHold, FileName: "rest.gcode", Part: "wing", Kind: "fen", NozzleMM: 0.4, Material: "PLA", Pieces: 1}})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Remainder(ctx, first.ID, jobs[0].ID); err != nil {
		t.Fatal(err)
	}
	clear(t, s, "Merel")
	st = start(t, s, jobs[0].ID, "Merel")
	if _, err := s.EndRun(ctx, End{Outcome: fleet.Outcome{RunID: st.Run.ID, Result: fleet.Finished}, To: queue.AwaitsYield}); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Cleared(ctx, "Merel", true, "", Yield{}); err != nil {
		t.Fatal(err)
	}
	j, err := s.Joined(ctx, jobs[0].ID, false)
	if err != nil || j.State != queue.NeedsDecision {
		t.Fatalf("%+v, %v", j, err)
	}
	if open, err := s.Mishaps(ctx, false); err != nil || len(open) != 1 || open[0].JobID != j.ID {
		t.Fatalf("%+v, %v", open, err)
	}
}
