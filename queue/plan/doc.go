// Package plan decides who prints what when, around the life of the people who clear
// the plates, and says how good that decision is. It is pure: time, hours and what
// was learned come in as values, plans go out as values, and nothing is kept between
// calls. All times are whole minutes from a Now; Plan.At turns them back.
//
// Two things can be planned.
//
// A Problem is a stand-alone instance as 'undercroft plan --problem' reads it:
// ReadProblem reads and bounds it, Solve plans it.
//
// A House is the real thing. Make plans it:
//
//	h := &plan.House{Now: now, HandsMin: 10, …}
//	h.People = append(h.People, plan.Attendant{Name: "An", Home: plan.Calendar(now, 60, hours, exceptions)})
//	p := plan.Make(h, before, plan.Options{Budget: 15 * time.Millisecond, Seed: 1})
//
// before is the last plan; nil at the first time, which then deserves a second.
// Runs under way are no Tasks: their machine is ready when they have ended and
// cooled. Tasks that the plan leaves out are named with the reason. Call Make on a
// copy of what is known, off the path of whoever starts jobs: it takes the Budget,
// and some milliseconds more to lay out a large house.
//
// From a Plan follow:
//
//	Step.Wait       why each step does not start sooner
//	IfNow           what would happen if it did
//	Visits          the plan turned round: trips, and what to do on each
//	Foresee         when it will be done, as ranges, by replaying it with the house's own errors and mishaps
//	Advise          single Changes that would make it sooner, each confirmed on a second seed
//	Compare         what another plan would change: plan h.Clone() with the change and compare
//
// What a plan aims at, in this order: no task without a start; dates kept and what is
// wanted first; the end, with what ends too close to an evening counted later by the
// wait to expect; few changes of nozzle, spool and plate, early ends.
package plan
