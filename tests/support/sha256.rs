//! SHA-256 (FIPS 180-4), to compare whole planes with values made elsewhere.

/// The digest as lower-case hexadecimal digits.
pub(crate) fn sha256_hex(message: &[u8]) -> String {
    let round_constants: [u32; 64] = std::array::from_fn(|index| fraction_of_root(nth_prime(index), 3));
    let mut state: [u32; 8] = std::array::from_fn(|index| fraction_of_root(nth_prime(index), 2));
    let mut padded = message.to_vec();
    padded.push(0x80);
    padded.resize((padded.len() + 8).next_multiple_of(64) - 8, 0);
    padded.extend((8 * message.len() as u64).to_be_bytes());
    for block in padded.chunks_exact(64) {
        compress(&mut state, block, &round_constants);
    }
    state.iter().map(|word| format!("{word:08x}")).collect()
}

fn compress(state: &mut [u32; 8], block: &[u8], round_constants: &[u32; 64]) {
    let mut words = [0_u32; 64];
    for (word, bytes) in words.iter_mut().zip(block.chunks_exact(4)) {
        *word = u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]);
    }
    for t in 16..64 {
        let (near, far) = (words[t - 15], words[t - 2]);
        let small_0 = near.rotate_right(7) ^ near.rotate_right(18) ^ (near >> 3);
        let small_1 = far.rotate_right(17) ^ far.rotate_right(19) ^ (far >> 10);
        words[t] = words[t - 16].wrapping_add(small_0).wrapping_add(words[t - 7]).wrapping_add(small_1);
    }
    let [mut a, mut b, mut c, mut d, mut e, mut f, mut g, mut h] = *state;
    for (word, constant) in words.iter().zip(round_constants) {
        let large_1 = e.rotate_right(6) ^ e.rotate_right(11) ^ e.rotate_right(25);
        let choice = (e & f) ^ (!e & g);
        let first = h.wrapping_add(large_1).wrapping_add(choice).wrapping_add(*constant).wrapping_add(*word);
        let large_0 = a.rotate_right(2) ^ a.rotate_right(13) ^ a.rotate_right(22);
        let majority = (a & b) ^ (a & c) ^ (b & c);
        (h, g, f, e) = (g, f, e, d.wrapping_add(first));
        (d, c, b, a) = (c, b, a, first.wrapping_add(large_0.wrapping_add(majority)));
    }
    for (word, added) in state.iter_mut().zip([a, b, c, d, e, f, g, h]) {
        *word = word.wrapping_add(added);
    }
}

fn nth_prime(index: usize) -> u64 {
    (2..).filter(|&n| (2..n).all(|divisor| n % divisor != 0)).nth(index).expect("primes do not end")
}

/// The first 32 bits of the fraction of the square or cube root.
fn fraction_of_root(number: u64, degree: u32) -> u32 {
    let scaled = u128::from(number) << (32 * degree);
    let (mut low, mut high) = (0_u128, 1_u128 << 40);
    while low + 1 < high {
        let middle = (low + high) / 2;
        if middle.pow(degree) <= scaled { low = middle } else { high = middle }
    }
    low as u32
}
