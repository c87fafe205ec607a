#include "core/base64.hpp"

#include <openssl/evp.h>

namespace tickledger {

std::string to_base64(std::string_view bytes) {
    // The library ends its text with a zero byte, which needs room too.
    std::string text(4 * ((bytes.size() + 2) / 3) + 1, '\0');
    EVP_EncodeBlock(reinterpret_cast<unsigned char*>(text.data()),
                    reinterpret_cast<const unsigned char*>(bytes.data()), static_cast<int>(bytes.size()));
    text.pop_back();
    return text;
}

std::optional<std::string> from_base64(std::string_view text) {
    std::size_t padding = 0;
    while (padding < 2 && padding < text.size() && text[text.size() - 1 - padding] == '=')
        ++padding;
    std::string bytes(text.size() / 4 * 3, '\0');
    const int length =
        EVP_DecodeBlock(reinterpret_cast<unsigned char*>(bytes.data()),
                        reinterpret_cast<const unsigned char*>(text.data()), static_cast<int>(text.size()));
    // The library also accepts padding in the middle, and text that is only padding.
    const bool padded_in_the_middle =
        text.substr(0, text.size() - padding).find('=') != std::string_view::npos;
    if (text.size() % 4 != 0 || length < 0 || padded_in_the_middle) return std::nullopt;
    bytes.resize(static_cast<std::size_t>(length) - padding);
    return bytes;
}

}  // namespace tickledger
