#include "proto/common/digest.h"

#include <openssl/evp.h>

#include <array>
#include <cstdio>
#include <cstdlib>

#include "fmt/format.h"

namespace bayward {
namespace {

// These calls fail only where memory or the library itself is gone; a wrong digest must never leave here.
void Require(int result) {
  if (result == 1) return;
  std::fputs("SHA-256 failed: out of memory, or the OpenSSL library provides none\n", stderr);
  std::abort();
}

}  // namespace

void Sha256::Free::operator()(EVP_MD_CTX* context) const { EVP_MD_CTX_free(context); }

Sha256::Sha256() : context_(EVP_MD_CTX_new()) {
  Require(context_ != nullptr ? EVP_DigestInit_ex(context_.get(), EVP_sha256(), nullptr) : 0);
}

Sha256::Sha256(const Sha256& other) : Sha256() { *this = other; }

Sha256& Sha256::operator=(const Sha256& other) {
  if (this != &other) Require(EVP_MD_CTX_copy_ex(context_.get(), other.context_.get()));
  return *this;
}

void Sha256::Add(std::string_view bytes) {
  Require(EVP_DigestUpdate(context_.get(), bytes.data(), bytes.size()));
}

std::string Sha256::Hex() const {
  Sha256 copy(*this);
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned size = 0;
  Require(EVP_DigestFinal_ex(copy.context_.get(), digest.data(), &size));
  std::string hex;
  for (unsigned i = 0; i < size; ++i) hex += fmt::format("{:02x}", digest[i]);
  return hex;
}

std::string Sha256Hex(std::string_view bytes) {
  Sha256 sha;
  sha.Add(bytes);
  return sha.Hex();
}

}  // namespace bayward
