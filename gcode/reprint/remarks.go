package reprint

import (
	"fmt"
	"strings"
)

// Limits below or above which a seam is worth a word. Common practice, no source.
const (
	smallSeamMM2   = 100
	sparseShare    = 0.6
	overhangShare  = 0.5
	leastAlignedMM = 0.6 // share of the common layer thickness
)

// remark notes what a person should know of this cut.
func (p *Plan) remark() {
	s, v := p.survey, p.Seam
	if v.ContactMM2 < smallSeamMM2 {
		p.note("small-seam", "the seam is small: %.0f mm² touch; pins or a sleeve hold better than glue alone", v.ContactMM2)
	}
	if v.FirstMM2 < smallSeamMM2 {
		p.note("small-first-layer", "the first layer covers %.0f mm² only and may come off the plate: a skirt does not help, a wider cut does", v.FirstMM2)
	}
	if v.Islands > 1 {
		p.note("islands", "the first layer is %d pieces that touch one another nowhere: each must hold on the plate and be joined by itself", v.Islands)
	}
	if v.LooseMM2 > 1 {
		p.note("loose-island", "%.0f mm² of the first layer stand on nothing of the good piece: they were held by supports or begin in the air, and there is nothing to join them to", v.LooseMM2)
	}
	if v.FirstMM2 > 0 && v.ContactMM2 < overhangShare*v.FirstMM2 && v.LooseMM2 < 0.5*v.FirstMM2 {
		p.note("bridge", "only %.0f %% of the first layer lie on the good piece: the rest bridged a gap or a sparse infill there", 100*v.ContactMM2/v.FirstMM2)
	}
	if v.FilledShare > 0 && v.FilledShare < sparseShare {
		p.note("sparse", "the cut goes through sparse infill: walls and %.0f %% of the area within them are all that stands on the plate and all that glue can hold", 100*v.FilledShare)
	}
	if p.res.LayerMM > 0 && p.ThicknessMM < leastAlignedMM*p.res.LayerMM {
		p.note("thin-first-layer", "the first layer is %.2f mm thick where most are %.2f mm: levels of supports may stand in between there; a cut one layer lower or higher sits better", p.ThicknessMM, p.res.LayerMM)
	}
	if p.skipOwn {
		p.note("prime-moved", "the file's own prime lines would lie under the piece; they are left out and one is laid beside it")
	}
	if len(s.changes) > 0 {
		p.note("filament-changed-below", "the filament was changed below the cut (line %d): load now what was loaded at that height", s.changes[len(s.changes)-1])
	}
	if s.tools > 1 {
		p.note("several-tools", "the file uses several tools: each is set as it stood at the cut, but what the file does at a change below the cut is not done again")
	}
	if len(s.unknown) > 0 {
		p.note("not-repeated", "commands below the cut that are not known here are not repeated: %s; see whether one sets something that must hold above", strings.Join(s.unknown, ", "))
	}
	if p.objects > 1 {
		p.note("one-object", "of %d objects printed one after the other only this one is printed; the others are wanted as jobs of their own", p.objects)
	}
	if m := p.material(); m != "" {
		for _, f := range p.res.Findings {
			if f.Code == "shrinks" {
				p.note("shrinks", "%s; a cooled piece and a new one differ by that on the plate: nothing is scaled, sand the seam to fit", f.Text)
			}
		}
	}
	if !p.o.AsItWas {
		p.note("first-layer", "the first layer is laid at %.0f mm/s at most and without fan; its edge flares a little on the plate: clear that before joining", p.earlyMMs)
	}
	p.note("joint", "leave 0.1 to 0.2 mm of glue in the joint; butt seams are weakest in peel, pins and slots help")
}

// title is the remainder's first line, without line ends whatever the name holds.
func (p *Plan) title() string {
	name := strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f || r == ';' || r == '(' || r == ')' {
			return '_'
		}
		return r
	}, p.o.Name)
	if len(name) > 120 {
		name = name[:120]
	}
	what := "remainder"
	if p.inPlace {
		what = "going on in place with the rest"
	}
	return fmt.Sprintf("; "+what+" of %s above %.3f mm, layer %d of %d and those above it, made by undercroft", name, p.baseMM, p.first+1, len(p.layers))
}
