#include "textflag.h"

// What these do is said in kernels_amd64.go; the plain twins in source.go and
// light.go do the same in the same order, to the last bit.

DATA phaseMask<>+0(SB)/4, $1023
GLOBL phaseMask<>(SB), RODATA|NOPTR, $4
DATA phaseOne<>+0(SB)/4, $1024
GLOBL phaseOne<>(SB), RODATA|NOPTR, $4

// Bytes 0 and 1 of each dword as words, and bytes 2 and 3.
DATA lowPair<>+0(SB)/8, $0x8005800480018000
DATA lowPair<>+8(SB)/8, $0x800d800c80098008
DATA lowPair<>+16(SB)/8, $0x8005800480018000
DATA lowPair<>+24(SB)/8, $0x800d800c80098008
GLOBL lowPair<>(SB), RODATA|NOPTR, $32
DATA highPair<>+0(SB)/8, $0x8007800680038002
DATA highPair<>+8(SB)/8, $0x800f800e800b800a
DATA highPair<>+16(SB)/8, $0x8007800680038002
DATA highPair<>+24(SB)/8, $0x800f800e800b800a
GLOBL highPair<>(SB), RODATA|NOPTR, $32

// Red, green and blue of two pixels next to each other, as pairs: of words 0 to 7
// and of words 4 to 11 of four pixels.
DATA firstTaps<>+0(SB)/8, $0x0908030207060100
DATA firstTaps<>+8(SB)/8, $0x808080800b0a0504
DATA firstTaps<>+16(SB)/8, $0x0908030207060100
DATA firstTaps<>+24(SB)/8, $0x808080800b0a0504
GLOBL firstTaps<>(SB), RODATA|NOPTR, $32
DATA lastTaps<>+0(SB)/8, $0x0d0c07060b0a0504
DATA lastTaps<>+8(SB)/8, $0x808080800f0e0908
DATA lastTaps<>+16(SB)/8, $0x0d0c07060b0a0504
DATA lastTaps<>+24(SB)/8, $0x808080800f0e0908
GLOBL lastTaps<>(SB), RODATA|NOPTR, $32

// The middle of two words, and that times fixedOne.
DATA middle<>+0(SB)/4, $0x80008000
DATA middle<>+4(SB)/4, $0x20000000
GLOBL middle<>(SB), RODATA|NOPTR, $8

// JFIF: grey, red of Cr, green of Cb and of Cr, blue of Cb.
DATA jfif<>+0(SB)/4, $0x3f008081
DATA jfif<>+4(SB)/4, $0x3fb374bc
DATA jfif<>+8(SB)/4, $0x3eb032a2
DATA jfif<>+12(SB)/4, $0x3f36d1a3
DATA jfif<>+16(SB)/4, $0x3fe2d0e5
GLOBL jfif<>(SB), RODATA|NOPTR, $20

// ROW adds weight · (4 taps of a row) to Y10.
#define ROW(base, table) \
	VPCMPEQD Y4, Y4, Y4; \
	VPGATHERDD Y4, (base)(Y1*1), Y7; \
	VPSHUFB Y12, Y7, Y8; \
	VPSHUFB Y11, Y7, Y7; \
	VPMADDWD Y5, Y8, Y8; \
	VPMADDWD Y6, Y7, Y7; \
	VPADDD Y7, Y8, Y8; \
	VCVTDQ2PS Y8, Y8; \
	VPCMPEQD Y4, Y4, Y4; \
	VGATHERDPS Y4, table(R11)(Y3*1), Y9; \
	VMULPS Y9, Y8, Y8

// func cubicBytesAVX2(out *float32, px, py *int32, n int, pix *uint8, stride int, fixed *int16, table *float32, scale float32)
TEXT ·cubicBytesAVX2(SB), NOSPLIT, $0-68
	MOVQ out+0(FP), DI
	MOVQ px+8(FP), SI
	MOVQ py+16(FP), DX
	MOVQ n+24(FP), CX
	MOVQ pix+32(FP), R12
	MOVQ stride+40(FP), R9
	MOVQ fixed+48(FP), R10
	MOVQ table+56(FP), R11
	VBROADCASTSS scale+64(FP), Y15
	SUBQ R9, R12
	DECQ R12
	LEAQ (R12)(R9*1), R13
	LEAQ (R13)(R9*1), BX
	LEAQ (BX)(R9*1), AX
	VMOVQ R9, X14
	VPBROADCASTD X14, Y14
	VPBROADCASTD phaseMask<>(SB), Y13
	VMOVDQU lowPair<>(SB), Y12
	VMOVDQU highPair<>(SB), Y11

cubic:
	VMOVDQU (SI), Y0
	VMOVDQU (DX), Y1
	VPAND Y13, Y0, Y2
	VPSLLD $3, Y2, Y2
	VPAND Y13, Y1, Y3
	VPSLLD $4, Y3, Y3
	VPSRAD $10, Y0, Y0
	VPSRAD $10, Y1, Y1
	VPMULLD Y14, Y1, Y1
	VPADDD Y0, Y1, Y1
	VPCMPEQD Y4, Y4, Y4
	VPGATHERDD Y4, (R10)(Y2*1), Y5
	VPCMPEQD Y4, Y4, Y4
	VPGATHERDD Y4, 4(R10)(Y2*1), Y6
	ROW(R12, 0)
	VMOVAPS Y8, Y10
	ROW(R13, 4)
	VADDPS Y8, Y10, Y10
	ROW(BX, 8)
	VADDPS Y8, Y10, Y10
	ROW(AX, 12)
	VADDPS Y8, Y10, Y10
	VMULPS Y15, Y10, Y10
	VMOVUPS Y10, (DI)
	ADDQ $32, SI
	ADDQ $32, DX
	ADDQ $32, DI
	SUBQ $8, CX
	JNZ cubic
	VZEROUPPER
	RET

// WORDS adds weight · (4 taps of a row) of red, green and blue to acc, for a pixel
// in each half of the registers, and goes down a row. Words are multiplied as
// signed ones, so they count from the middle of their range, which is added
// again: the weights of a row's taps sum to fixedOne.
#define WORDS(row, acc) \
	VMOVDQU (AX), X8; \
	VINSERTI128 $1, (BX), Y8, Y8; \
	VMOVDQU 8(AX), X9; \
	VINSERTI128 $1, 8(BX), Y9, Y9; \
	VPXOR Y13, Y8, Y8; \
	VPXOR Y13, Y9, Y9; \
	VPSHUFB Y12, Y8, Y8; \
	VPSHUFB Y11, Y9, Y9; \
	VPMADDWD Y5, Y8, Y8; \
	VPMADDWD Y6, Y9, Y9; \
	VPADDD Y9, Y8, Y8; \
	VPADDD Y14, Y8, Y8; \
	VCVTDQ2PS Y8, Y8; \
	VPERMILPS row, Y7, Y10; \
	VMULPS Y10, Y8, Y8; \
	VADDPS Y8, acc, acc; \
	ADDQ DX, AX; \
	ADDQ DX, BX

// PAIR sets the halves of acc to the sums of two pixels; place, column and row of
// each are where the frame has the place of its samples and of its weights.
#define PAIR(place, column, row, otherPlace, otherColumn, otherRow, acc) \
	MOVLQSX place(SP), AX; \
	MOVLQSX otherPlace(SP), BX; \
	ADDQ R12, AX; \
	ADDQ R12, BX; \
	MOVL column(SP), R8; \
	MOVL otherColumn(SP), R9; \
	VPBROADCASTD (R10)(R8*1), X5; \
	VPBROADCASTD (R10)(R9*1), X7; \
	VINSERTI128 $1, X7, Y5, Y5; \
	VPBROADCASTD 4(R10)(R8*1), X6; \
	VPBROADCASTD 4(R10)(R9*1), X7; \
	VINSERTI128 $1, X7, Y6, Y6; \
	MOVL row(SP), R8; \
	MOVL otherRow(SP), R9; \
	VMOVUPS (R11)(R8*1), X7; \
	VINSERTF128 $1, (R11)(R9*1), Y7, Y7; \
	VXORPS acc, acc, acc; \
	WORDS($0x00, acc); \
	WORDS($0x55, acc); \
	WORDS($0xaa, acc); \
	WORDS($0xff, acc)

// func cubicWordsAVX2(red, green, blue *float32, px, py *int32, n int, pix *uint16, base, stride int, fixed *int16, table *float32, scale float32)
TEXT ·cubicWordsAVX2(SB), NOSPLIT, $96-92
	MOVQ red+0(FP), DI
	MOVQ green+8(FP), SI
	MOVQ blue+16(FP), R13
	MOVQ px+24(FP), R14
	MOVQ py+32(FP), CX
	MOVQ pix+48(FP), R12
	MOVQ base+56(FP), AX
	MOVQ stride+64(FP), DX
	MOVQ fixed+72(FP), R10
	MOVQ table+80(FP), R11
	VBROADCASTSS scale+88(FP), Y15
	SHLQ $1, AX
	SHLQ $1, DX
	SUBQ AX, R12
	SUBQ DX, R12
	SUBQ $6, R12
	VPBROADCASTD middle<>+0(SB), Y13
	VPBROADCASTD middle<>+4(SB), Y14
	VMOVDQU firstTaps<>(SB), Y12
	VMOVDQU lastTaps<>(SB), Y11
	VMOVQ DX, X6

words:
	VPBROADCASTD X6, Y5
	VPBROADCASTD phaseMask<>(SB), Y4
	VMOVDQU (R14), Y0
	VMOVDQU (CX), Y1
	VPAND Y4, Y0, Y2
	VPSLLD $3, Y2, Y2
	VMOVDQU Y2, 32(SP)
	VPAND Y4, Y1, Y3
	VPSLLD $4, Y3, Y3
	VMOVDQU Y3, 64(SP)
	VPSRAD $10, Y0, Y0
	VPSRAD $10, Y1, Y1
	VPMULLD Y5, Y1, Y1
	VPADDD Y0, Y0, Y2
	VPADDD Y2, Y0, Y0
	VPADDD Y0, Y0, Y0
	VPADDD Y0, Y1, Y1
	VMOVDQU Y1, (SP)
	PAIR(0, 32, 64, 16, 48, 80, Y0)
	PAIR(4, 36, 68, 20, 52, 84, Y1)
	PAIR(8, 40, 72, 24, 56, 88, Y2)
	PAIR(12, 44, 76, 28, 60, 92, Y3)
	VMOVQ DX, X6
	VUNPCKLPS Y1, Y0, Y4
	VUNPCKLPS Y3, Y2, Y5
	VUNPCKHPS Y1, Y0, Y8
	VUNPCKHPS Y3, Y2, Y9
	VUNPCKLPD Y5, Y4, Y7
	VUNPCKHPD Y5, Y4, Y10
	VUNPCKLPD Y9, Y8, Y8
	VMULPS Y15, Y7, Y7
	VMULPS Y15, Y10, Y10
	VMULPS Y15, Y8, Y8
	VMOVUPS Y7, (DI)
	VMOVUPS Y10, (SI)
	VMOVUPS Y8, (R13)
	ADDQ $32, R14
	ADDQ $32, CX
	ADDQ $32, DI
	ADDQ $32, SI
	ADDQ $32, R13
	SUBQ $8, n+40(FP)
	JNZ words
	VZEROUPPER
	RET

// PLANE stores the bilinear value of a plane at Y1 with weights Y5 and Y3.
#define PLANE(upper, lower, out) \
	VPCMPEQD Y4, Y4, Y4; \
	VPGATHERDD Y4, (upper)(Y1*1), Y6; \
	VPCMPEQD Y4, Y4, Y4; \
	VPGATHERDD Y4, (lower)(Y1*1), Y7; \
	VPSHUFB Y12, Y6, Y6; \
	VPSHUFB Y12, Y7, Y7; \
	VPMADDWD Y5, Y6, Y6; \
	VPMADDWD Y5, Y7, Y7; \
	VPSUBD Y6, Y7, Y7; \
	VPMULLD Y3, Y7, Y7; \
	VPSLLD $10, Y6, Y6; \
	VPADDD Y6, Y7, Y7; \
	VCVTDQ2PS Y7, Y7; \
	VMULPS Y15, Y7, Y7; \
	VMOVUPS Y7, (out)

// func linearBytesAVX2(outP, outQ *float32, px, py *int32, n int, p, q *uint8, stride int, place *[6]int32, scale float32)
TEXT ·linearBytesAVX2(SB), NOSPLIT, $0-76
	MOVQ outP+0(FP), DI
	MOVQ outQ+8(FP), R8
	MOVQ px+16(FP), SI
	MOVQ py+24(FP), DX
	MOVQ n+32(FP), CX
	MOVQ p+40(FP), R10
	MOVQ q+48(FP), R11
	MOVQ stride+56(FP), R9
	MOVQ place+64(FP), BX
	VBROADCASTSS scale+72(FP), Y15
	LEAQ (R10)(R9*1), R12
	LEAQ (R11)(R9*1), R13
	VMOVQ R9, X14
	VPBROADCASTD X14, Y14
	VPBROADCASTD phaseMask<>(SB), Y13
	VMOVDQU lowPair<>(SB), Y12
	VPBROADCASTD phaseOne<>(SB), Y11

linear:
	VPBROADCASTD 0(BX), Y0
	VPADDD (SI), Y0, Y0
	VMOVD 16(BX), X2
	VPSRAD X2, Y0, Y0
	VPBROADCASTD 4(BX), Y2
	VPSUBD Y2, Y0, Y0
	VPBROADCASTD 8(BX), Y1
	VPADDD (DX), Y1, Y1
	VMOVD 20(BX), X2
	VPSRAD X2, Y1, Y1
	VPBROADCASTD 12(BX), Y2
	VPSUBD Y2, Y1, Y1
	VPAND Y13, Y0, Y2
	VPSLLD $16, Y2, Y5
	VPSUBD Y2, Y5, Y5
	VPADDD Y11, Y5, Y5
	VPAND Y13, Y1, Y3
	VPSRAD $10, Y0, Y0
	VPSRAD $10, Y1, Y1
	VPMULLD Y14, Y1, Y1
	VPADDD Y0, Y1, Y1
	PLANE(R10, R12, DI)
	PLANE(R11, R13, R8)
	ADDQ $32, SI
	ADDQ $32, DX
	ADDQ $32, DI
	ADDQ $32, R8
	SUBQ $8, CX
	JNZ linear
	VZEROUPPER
	RET

// func toRGBAVX2(luma, cb, cr *float32, n int)
TEXT ·toRGBAVX2(SB), NOSPLIT, $0-32
	MOVQ luma+0(FP), DI
	MOVQ cb+8(FP), SI
	MOVQ cr+16(FP), DX
	MOVQ n+24(FP), CX
	VBROADCASTSS jfif<>+0(SB), Y8
	VBROADCASTSS jfif<>+4(SB), Y9
	VBROADCASTSS jfif<>+8(SB), Y10
	VBROADCASTSS jfif<>+12(SB), Y11
	VBROADCASTSS jfif<>+16(SB), Y12

rgb:
	VMOVUPS (DI), Y0
	VMOVUPS (SI), Y1
	VMOVUPS (DX), Y2
	VSUBPS Y8, Y1, Y1
	VSUBPS Y8, Y2, Y2
	VMULPS Y9, Y2, Y3
	VADDPS Y3, Y0, Y3
	VMOVUPS Y3, (DI)
	VMULPS Y10, Y1, Y4
	VSUBPS Y4, Y0, Y4
	VMULPS Y11, Y2, Y5
	VSUBPS Y5, Y4, Y4
	VMOVUPS Y4, (SI)
	VMULPS Y12, Y1, Y6
	VADDPS Y6, Y0, Y6
	VMOVUPS Y6, (DX)
	ADDQ $32, DI
	ADDQ $32, SI
	ADDQ $32, DX
	SUBQ $8, CX
	JNZ rgb
	VZEROUPPER
	RET

// ALONG replaces Y0 by the curve at Y0: table base, the number of its last node
// as float in last and less one as whole number in before.
#define ALONG(base, last, before) \
	VMULPS last, Y0, Y0; \
	VMAXPS Y7, Y0, Y0; \
	VMINPS last, Y0, Y0; \
	VCVTTPS2DQ Y0, Y1; \
	VPMINSD before, Y1, Y1; \
	VCVTDQ2PS Y1, Y2; \
	VSUBPS Y2, Y0, Y0; \
	VPCMPEQD Y4, Y4, Y4; \
	VGATHERDPS Y4, (base)(Y1*4), Y2; \
	VPCMPEQD Y4, Y4, Y4; \
	VGATHERDPS Y4, 4(base)(Y1*4), Y3; \
	VSUBPS Y2, Y3, Y3; \
	VMULPS Y0, Y3, Y3; \
	VADDPS Y3, Y2, Y0

// func curveAVX2(v *float32, n int, curve *float32, nodes int)
TEXT ·curveAVX2(SB), NOSPLIT, $0-32
	MOVQ v+0(FP), DI
	MOVQ n+8(FP), CX
	MOVQ curve+16(FP), R8
	MOVQ nodes+24(FP), R9
	DECQ R9
	VMOVQ R9, X8
	VPBROADCASTD X8, Y8
	VCVTDQ2PS Y8, Y8
	DECQ R9
	VMOVQ R9, X9
	VPBROADCASTD X9, Y9
	VXORPS Y7, Y7, Y7

curve:
	VMOVUPS (DI), Y0
	ALONG(R8, Y8, Y9)
	VMOVUPS Y0, (DI)
	ADDQ $32, DI
	SUBQ $8, CX
	JNZ curve
	VZEROUPPER
	RET

// func shadeAVX2(v, factor *float32, n int, decode *float32, decodeNodes int, encode *float32, encodeNodes int, gain float32)
TEXT ·shadeAVX2(SB), NOSPLIT, $0-60
	MOVQ v+0(FP), DI
	MOVQ factor+8(FP), SI
	MOVQ n+16(FP), CX
	MOVQ decode+24(FP), R8
	MOVQ decodeNodes+32(FP), R9
	MOVQ encode+40(FP), R10
	MOVQ encodeNodes+48(FP), R11
	VBROADCASTSS gain+56(FP), Y12
	DECQ R9
	VMOVQ R9, X8
	VPBROADCASTD X8, Y8
	VCVTDQ2PS Y8, Y8
	DECQ R9
	VMOVQ R9, X9
	VPBROADCASTD X9, Y9
	DECQ R11
	VMOVQ R11, X10
	VPBROADCASTD X10, Y10
	VCVTDQ2PS Y10, Y10
	DECQ R11
	VMOVQ R11, X11
	VPBROADCASTD X11, Y11
	VXORPS Y7, Y7, Y7

shade:
	VMOVUPS (DI), Y0
	ALONG(R8, Y8, Y9)
	VMULPS (SI), Y12, Y1
	VMULPS Y1, Y0, Y0
	ALONG(R10, Y10, Y11)
	VMOVUPS Y0, (DI)
	ADDQ $32, DI
	ADDQ $32, SI
	SUBQ $8, CX
	JNZ shade
	VZEROUPPER
	RET
