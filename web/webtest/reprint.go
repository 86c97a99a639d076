package webtest

import "undercroft/web"

// reprinted is an invented answer for a neck of 180 mm in layers of 0.2.
func reprinted(r web.ReprintRequest) web.Reprint {
	recorded := web.ReprintHeight{How: "recorded", MM: 77.4, Good: 387, TopMM: 77.4, NextMM: 0.2}
	rep := web.Reprint{ReprintReport: web.ReprintReport{
		HeightMM: 180, LayerCount: 900, Heights: []web.ReprintHeight{recorded}, Trusted: recorded,
		TrustedWhy: "nothing was measured, and the record never says more than the machine did", GoodLayers: 387, CutMM: 77.4, FirstMM: 0.2, LeftLayers: 513, LeftMM: 102.6,
		Seam:    web.Seam{FirstMM2: 2100, ContactMM2: 2040, FilledShare: 0.4, Islands: 1},
		Remarks: []web.ReprintRemark{{Code: "no-brim", Text: "The first layer is 48 mm wide and 103 mm will stand on it: a skirt does not hold it, clean the plate well."}},
		SinkMM:  77.4, SinkWhy: "lower the model by 77.40 mm and slice it anew",
		Ways: []web.ReprintWay{
			{Kind: "remainder", Possible: true, Hours: 5.3, Grams: 94, HandsMin: 20, Risk: 0.11, Text: "glue it on at 77.4 mm"},
			{Kind: "whole", Possible: true, Hours: 9.1, Grams: 164, HandsMin: 5, Risk: 0.14},
			{Kind: "in-place", Text: "the plate has cooled: the piece may have come loose"},
		},
		Take: "remainder", TakeWhy: "it saves 3.8 h and 70 g for 15 more minutes of yours",
	}}
	rep.Picture = `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 60" role="img"><title>The cut</title><rect x="10" y="30" width="40" height="25" fill="#2f4b5c"/><rect x="10" y="5" width="40" height="25" fill="#d98e5f"/><script>document.title="owned"</script></svg>`
	if len(r.Measured) > 0 {
		m := web.ReprintHeight{How: "measured", MM: r.Measured[len(r.Measured)/2], Good: 386, TopMM: 77.2, NextMM: 0.2}
		rep.Heights, rep.Trusted, rep.GoodLayers, rep.CutMM, rep.LeftLayers, rep.LeftMM = append(rep.Heights, m), m, 386, 77.2, 514, 102.8
		rep.TrustedWhy = "what you measured is what is there"
		rep.Readings = &web.Readings{MedianMM: m.MM, SpreadMM: 0.2, Used: r.Measured}
	}
	return rep
}
