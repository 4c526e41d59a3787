// Hashes that NIST published with the Secure Hash Standard (FIPS 180-4; examples "SHA256.pdf" of the Cryptographic
// Standards and Guidelines: "abc", the 448-bit message); that of the empty message is also what sha256sum prints.
#include "gtest/gtest.h"
#include "proto/common/digest.h"

namespace bayward::testing {
namespace {

TEST(Sha256Test, OneBlockMessageOfNist) {
  EXPECT_EQ(Sha256Hex("abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}

TEST(Sha256Test, TwoBlockMessageOfNist) {
  EXPECT_EQ(Sha256Hex("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"),
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
}

TEST(Sha256Test, EmptyMessage) {
  EXPECT_EQ(Sha256Hex(""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
}

}  // namespace
}  // namespace bayward::testing
