package main

import (
	"fmt"
	"image"
	"image/color"
	"image/png"
	"os"

	"undercroft/gcode/analyze"
)

const (
	pictureGapPx  = 12
	pictureSidePx = 640 // about as long as the longest side of a view gets
)

// picturePalette is paper, plate line, and the three views.
var picturePalette = color.Palette{
	color.RGBA{0xfb, 0xfa, 0xf6, 0xff}, color.RGBA{0x9a, 0x93, 0x86, 0xff}, color.RGBA{0x2f, 0x4b, 0x5c, 0xff},
}

const (
	paper = iota
	plateLine
	ink
)

// drawViews draws the three silhouettes: front and side by side, the plan below
// the front, all to one scale.
func drawViews(v *analyze.Views) *image.Paletted {
	longest := max(v.Front.Width, v.Front.Height, v.Side.Width, v.Plan.Height, 1)
	scale := max(1, pictureSidePx/longest)
	left := max(v.Front.Width, v.Plan.Width) * scale
	top := max(v.Front.Height, v.Side.Height) * scale
	img := image.NewPaletted(image.Rect(0, 0, left+v.Side.Width*scale+3*pictureGapPx, top+v.Plan.Height*scale+3*pictureGapPx), picturePalette)
	base := pictureGapPx + top
	drawRaster(img, v.Front, pictureGapPx, base, scale)
	drawRaster(img, v.Side, 2*pictureGapPx+left, base, scale)
	drawRaster(img, v.Plan, pictureGapPx, base+pictureGapPx+v.Plan.Height*scale, scale)
	for x := pictureGapPx / 2; x < img.Rect.Max.X-pictureGapPx/2; x++ {
		img.SetColorIndex(x, base, plateLine)
	}
	return img
}

// drawRaster draws one view with its lower left corner at left, base.
func drawRaster(img *image.Paletted, r analyze.Raster, left, base, scale int) {
	for j := range r.Height {
		for i := range r.Width {
			if r.Cells[j*r.Width+i] == 0 {
				continue
			}
			for dy := range scale {
				for dx := range scale {
					img.SetColorIndex(left+i*scale+dx, base-1-j*scale-dy, ink)
				}
			}
		}
	}
}

func writePicture(name string, v *analyze.Views) (err error) {
	f, err := os.Create(name)
	if err != nil {
		return fmt.Errorf("cannot write the picture: %w", err)
	}
	defer func() {
		if cerr := f.Close(); err == nil {
			err = cerr
		}
	}()
	if err := png.Encode(f, drawViews(v)); err != nil {
		return fmt.Errorf("cannot write the picture: %w", err)
	}
	return nil
}
