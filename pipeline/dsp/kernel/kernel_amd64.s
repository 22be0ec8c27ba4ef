#include "textflag.h"

DATA signmask<>+0(SB)/8, $0x7fffffffffffffff
DATA signmask<>+8(SB)/8, $0x7fffffffffffffff
DATA signmask<>+16(SB)/8, $0x7fffffffffffffff
DATA signmask<>+24(SB)/8, $0x7fffffffffffffff
GLOBL signmask<>(SB), RODATA|NOPTR, $32

// func correlateAVX2(dst, x, taps *float64, n, m int)
// Eight accumulators of four outputs each; one tap at a time, multiply then
// add, as the plain loop does.
TEXT ·correlateAVX2(SB), NOSPLIT, $0-40
	MOVQ dst+0(FP), DI
	MOVQ x+8(FP), SI
	MOVQ taps+16(FP), DX
	MOVQ n+24(FP), CX
	MOVQ m+32(FP), BX

outputs:
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	VXORPD Y4, Y4, Y4
	VXORPD Y5, Y5, Y5
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7
	MOVQ   SI, R8
	MOVQ   DX, R9
	MOVQ   BX, R10

tap:
	VBROADCASTSD (R9), Y8
	VMULPD (R8), Y8, Y9
	VADDPD Y9, Y0, Y0
	VMULPD 32(R8), Y8, Y10
	VADDPD Y10, Y1, Y1
	VMULPD 64(R8), Y8, Y11
	VADDPD Y11, Y2, Y2
	VMULPD 96(R8), Y8, Y12
	VADDPD Y12, Y3, Y3
	VMULPD 128(R8), Y8, Y13
	VADDPD Y13, Y4, Y4
	VMULPD 160(R8), Y8, Y14
	VADDPD Y14, Y5, Y5
	VMULPD 192(R8), Y8, Y15
	VADDPD Y15, Y6, Y6
	VMULPD 224(R8), Y8, Y9
	VADDPD Y9, Y7, Y7
	ADDQ $8, R8
	ADDQ $8, R9
	DECQ R10
	JNZ  tap

	VMOVUPD Y0, (DI)
	VMOVUPD Y1, 32(DI)
	VMOVUPD Y2, 64(DI)
	VMOVUPD Y3, 96(DI)
	VMOVUPD Y4, 128(DI)
	VMOVUPD Y5, 160(DI)
	VMOVUPD Y6, 192(DI)
	VMOVUPD Y7, 224(DI)
	ADDQ $256, SI
	ADDQ $256, DI
	SUBQ $32, CX
	JNZ  outputs
	VZEROUPPER
	RET

// func deriveAVX2(v, a, d *float64, t *Taps9, lanes *[12]float64, n int)
TEXT ·deriveAVX2(SB), NOSPLIT, $0-48
	MOVQ v+0(FP), DI
	MOVQ a+8(FP), SI
	MOVQ d+16(FP), DX
	MOVQ t+24(FP), R8
	MOVQ lanes+32(FP), R9
	MOVQ n+40(FP), CX
	VBROADCASTSD 0(R8), Y0
	VBROADCASTSD 8(R8), Y1
	VBROADCASTSD 16(R8), Y2
	VBROADCASTSD 24(R8), Y3
	VXORPD Y4, Y4, Y4 // greatest |v|
	VXORPD Y5, Y5, Y5 // greatest |a|
	VXORPD Y6, Y6, Y6 // sum of a squared

step:
	VMOVUPD 40(DX), Y8        // x1
	VMOVUPD 24(DX), Y9        // y1
	VSUBPD  Y9, Y8, Y10       // x1-y1
	VADDPD  Y9, Y8, Y8        // x1+y1
	VMULPD  Y10, Y0, Y10
	VMOVUPD 48(DX), Y9        // x2
	VMOVUPD 16(DX), Y11       // y2
	VSUBPD  Y11, Y9, Y12
	VADDPD  Y11, Y9, Y9       // x2+y2
	VMULPD  Y12, Y1, Y12
	VADDPD  Y12, Y10, Y10     // first half of v
	VMOVUPD 56(DX), Y11       // x3
	VMOVUPD 8(DX), Y12        // y3
	VSUBPD  Y12, Y11, Y13
	VADDPD  Y12, Y11, Y11     // x3+y3
	VMULPD  Y13, Y2, Y13
	VMOVUPD 64(DX), Y12       // x4
	VMOVUPD (DX), Y14         // y4
	VSUBPD  Y14, Y12, Y15
	VADDPD  Y14, Y12, Y12     // x4+y4
	VMULPD  Y15, Y3, Y15
	VADDPD  Y15, Y13, Y13     // second half of v
	VADDPD  Y13, Y10, Y10     // v
	VMOVUPD Y10, (DI)
	VANDPD  signmask<>(SB), Y10, Y10
	VMAXPD  Y10, Y4, Y4

	VBROADCASTSD 32(R8), Y7
	VMULPD  32(DX), Y7, Y7    // A0 d
	VBROADCASTSD 40(R8), Y13
	VMULPD  Y8, Y13, Y8
	VBROADCASTSD 48(R8), Y13
	VMULPD  Y9, Y13, Y9
	VADDPD  Y9, Y8, Y8
	VADDPD  Y8, Y7, Y7
	VBROADCASTSD 56(R8), Y13
	VMULPD  Y11, Y13, Y11
	VBROADCASTSD 64(R8), Y13
	VMULPD  Y12, Y13, Y12
	VADDPD  Y12, Y11, Y11
	VADDPD  Y11, Y7, Y7       // a
	VMOVUPD Y7, (SI)
	VMULPD  Y7, Y7, Y8
	VADDPD  Y8, Y6, Y6
	VANDPD  signmask<>(SB), Y7, Y7
	VMAXPD  Y7, Y5, Y5

	ADDQ $32, DI
	ADDQ $32, SI
	ADDQ $32, DX
	SUBQ $4, CX
	JNZ  step

	VMOVUPD Y4, (R9)
	VMOVUPD Y5, 32(R9)
	VMOVUPD Y6, 64(R9)
	VZEROUPPER
	RET

// func pairAVX(dl, dr, l, r *float64, t *PairTaps, s *PairState, n int)
TEXT ·pairAVX(SB), NOSPLIT, $0-56
	MOVQ dl+0(FP), DI
	MOVQ dr+8(FP), SI
	MOVQ l+16(FP), R8
	MOVQ r+24(FP), R9
	MOVQ t+32(FP), R10
	MOVQ s+40(FP), R11
	MOVQ n+48(FP), CX
	VMOVDDUP 0(R10), X0  // E
	VMOVDDUP 8(R10), X1  // P0
	VMOVDDUP 16(R10), X2 // PA
	VMOVDDUP 24(R10), X3 // K1
	VMOVDDUP 32(R10), X4 // K2
	VMOVDDUP 40(R10), X5 // A1
	VMOVDDUP 48(R10), X6 // A2
	VMOVUPD 0(R11), X7   // x1
	VMOVUPD 16(R11), X8  // y1
	VMOVUPD 32(R11), X9  // q1
	VMOVUPD 48(R11), X10 // q2

frame:
	VMOVSD  (R8), X11
	VMOVHPD (R9), X11, X11   // x
	VADDPD  X7, X11, X7      // x + x1
	VMULPD  X1, X7, X7
	VMULPD  X2, X8, X8
	VSUBPD  X8, X7, X8       // y
	VMOVAPD X11, X7
	VMULPD  X0, X11, X12
	VADDPD  X8, X12, X12
	VADDPD  X9, X12, X12     // out
	VMOVLPD X12, (DI)
	VMOVHPD X12, (SI)
	VMULPD  X3, X11, X13
	VADDPD  X10, X13, X13    // K1 x + q2
	VMULPD  X4, X11, X10
	VMULPD  X6, X9, X14
	VSUBPD  X14, X10, X10    // q2
	VMULPD  X5, X9, X9
	VSUBPD  X9, X13, X9      // q1
	ADDQ $8, R8
	ADDQ $8, R9
	ADDQ $8, DI
	ADDQ $8, SI
	DECQ CX
	JNZ  frame

	VMOVUPD X7, 0(R11)
	VMOVUPD X8, 16(R11)
	VMOVUPD X9, 32(R11)
	VMOVUPD X10, 48(R11)
	RET

// func extremesAVX2(l, r *float64, s *[8][4]float64, n int)
TEXT ·extremesAVX2(SB), NOSPLIT, $0-32
	MOVQ l+0(FP), SI
	MOVQ r+8(FP), DI
	MOVQ s+16(FP), DX
	MOVQ n+24(FP), CX
	VMOVUPD 0(DX), Y0   // greatest right
	VMOVUPD 32(DX), Y1  // least left
	VMOVUPD 64(DX), Y2  // greatest sum
	VMOVUPD 96(DX), Y3  // least sum
	VMOVUPD 128(DX), Y4 // greatest difference
	VMOVUPD 160(DX), Y5 // least difference
	VMOVUPD 192(DX), Y6 // total left
	VMOVUPD 224(DX), Y7 // total right

four:
	VMOVUPD (SI), Y8
	VMOVUPD (DI), Y9
	VADDPD  Y9, Y8, Y10
	VSUBPD  Y9, Y8, Y11
	VMAXPD  Y9, Y0, Y0
	VMINPD  Y8, Y1, Y1
	VMAXPD  Y10, Y2, Y2
	VMINPD  Y10, Y3, Y3
	VMAXPD  Y11, Y4, Y4
	VMINPD  Y11, Y5, Y5
	VADDPD  Y8, Y6, Y6
	VADDPD  Y9, Y7, Y7
	ADDQ $32, SI
	ADDQ $32, DI
	SUBQ $4, CX
	JNZ  four

	VMOVUPD Y0, 0(DX)
	VMOVUPD Y1, 32(DX)
	VMOVUPD Y2, 64(DX)
	VMOVUPD Y3, 96(DX)
	VMOVUPD Y4, 128(DX)
	VMOVUPD Y5, 160(DX)
	VMOVUPD Y6, 192(DX)
	VMOVUPD Y7, 224(DX)
	VZEROUPPER
	RET

// func indexAVX2(x, y *float64, n, mix int, v float64) int
TEXT ·indexAVX2(SB), NOSPLIT, $0-48
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ n+16(FP), CX
	MOVQ mix+24(FP), DX
	VBROADCASTSD v+32(FP), Y0
	XORQ AX, AX
	CMPQ DX, $0
	JEQ  alone
	JLT  less

plus:
	VMOVUPD (SI)(AX*8), Y1
	VADDPD  (DI)(AX*8), Y1, Y1
	VCMPPD  $0, Y0, Y1, Y1
	VMOVMSKPD Y1, DX
	TESTL DX, DX
	JNE  found
	ADDQ $4, AX
	CMPQ AX, CX
	JLT  plus
	JMP  found

less:
	VMOVUPD (SI)(AX*8), Y1
	VSUBPD  (DI)(AX*8), Y1, Y1
	VCMPPD  $0, Y0, Y1, Y1
	VMOVMSKPD Y1, DX
	TESTL DX, DX
	JNE  found
	ADDQ $4, AX
	CMPQ AX, CX
	JLT  less
	JMP  found

alone:
	VCMPPD  $0, (SI)(AX*8), Y0, Y1
	VMOVMSKPD Y1, DX
	TESTL DX, DX
	JNE  found
	ADDQ $4, AX
	CMPQ AX, CX
	JLT  alone

found:
	VZEROUPPER
	MOVQ AX, ret+40(FP)
	RET
