package photo

import (
	"context"
	"encoding/binary"
	"hash/crc32"
	"image"
	"image/draw"
	"math"

	"flatfell.example/internal/par"
	"flatfell.example/raster"
)

// to8 rounds a 16-bit sample to 8 bits.
func to8(v uint16) uint8 { return uint8((uint32(v)*255 + 32767) / 65535) }

// to8Bit returns pic in 8 bits, as the type for which the encoders have a
// fast path: *image.RGBA if it is opaque, else *image.NRGBA.
func to8Bit(ctx context.Context, pic *raster.Picture, workers int) (draw.Image, error) {
	var (
		m      draw.Image
		pix    []uint8
		stride int
	)
	if pic.Opaque() {
		d := image.NewRGBA(pic.Rect)
		m, pix, stride = d, d.Pix, d.Stride
	} else {
		d := image.NewNRGBA(pic.Rect)
		m, pix, stride = d, d.Pix, d.Stride
	}
	err := par.Do(ctx, workers, pic.Rect.Dy(), func(y int) error {
		src, alpha := pic.Row(pic.Rect.Min.Y+y), pic.AlphaRow(pic.Rect.Min.Y+y)
		dst := pix[y*stride : y*stride+4*pic.Rect.Dx()]
		for x := range len(dst) / 4 {
			s, d := src[3*x:3*x+3:3*x+3], dst[4*x:4*x+4:4*x+4]
			d[0], d[1], d[2], d[3] = to8(s[0]), to8(s[1]), to8(s[2]), 0xff
			if alpha != nil {
				d[3] = to8(alpha[x])
			}
		}
		return nil
	})
	return m, err
}

// phys returns the pHYs chunk of a PNG, in pixels per metre.
func phys(ppi float64) []byte {
	perMetre := uint32(math.Round(ppi / 0.0254))
	b := binary.BigEndian.AppendUint32(nil, 9)
	b = append(b, "pHYs"...)
	b = binary.BigEndian.AppendUint32(b, perMetre)
	b = binary.BigEndian.AppendUint32(b, perMetre)
	b = append(b, 1)
	return binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(b[4:]))
}
